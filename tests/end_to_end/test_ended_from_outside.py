"""A command that a scheduler or a shutdown ends (SIGTERM) leaves in order: what it started does not stay behind."""

from __future__ import annotations

import subprocess
import sys

#: A verb that is ended while it works, with what Python does on leaving to be seen.
ENDED = """
import atexit, os, signal
from pipeline import cli
atexit.register(print, "left in order")
cli.cli.main = lambda **_: os.kill(os.getpid(), signal.SIGTERM)
cli.main([])
print("went on")
"""


def test_a_command_that_is_ended_leaves_in_order() -> None:
    """Prefect stops its temporary server as Python leaves; a process that ends at once had left it running."""
    done = subprocess.run([sys.executable, "-c", ENDED], capture_output=True, text=True, check=False)
    assert done.stdout == "left in order\n"
    assert done.returncode == 143
