"""Compiled code stays within its arrays, whatever it is given."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

SEEDS = 8


def test_no_kernel_reads_or_writes_beyond_an_array(tmp_path):
    """Of 2,400 recordings that no bench makes; every index is asked of, in code that is compiled for it."""
    # Code that is not made fast is compiled sooner.
    asked = os.environ | {"NUMBA_BOUNDSCHECK": "1", "NUMBA_OPT": "0", "NUMBA_CACHE_DIR": str(tmp_path)}
    run = subprocess.run(
        [sys.executable, "-m", "tests.end_to_end.hostile_recordings", str(SEEDS)],
        env=asked,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    told = run.stdout.splitlines()
    assert len(told) == SEEDS
    # All of the fit was reached, not the reading alone.
    assert "'leak'" in run.stdout
    assert "'holds'" in run.stdout
