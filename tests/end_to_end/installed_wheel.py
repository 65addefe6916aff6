"""The wheel, built from the checkout and installed into an environment of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
#: What would lead a command of the new environment back to the one that the tests run in.
OURS = ("VIRTUAL_ENV", "PYTHONPATH", "PYTHONPYCACHEPREFIX")


@dataclass(frozen=True)
class Installed:
    """A wheel, and the command that its installation made; commands run in `place`, which holds no lake."""

    wheel: Path
    command: Path
    place: Path

    def call(self, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Call the installed command as its user does."""
        return _do(self.command, *arguments, cwd=self.place)


def _do(*command: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k not in OURS}
    words = [str(word) for word in command]
    return subprocess.run(
        words, cwd=cwd, env=environment, capture_output=True, text=True, check=False, timeout=400
    )


def _must(*command: str | Path, cwd: Path) -> None:
    done = _do(*command, cwd=cwd)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]


def install(place: Path) -> Installed:
    """Build the wheel and install it into a fresh environment below `place`."""
    uv = shutil.which("uv")
    if uv is None:
        pytest.skip("uv is not installed: python3 -m pip install uv")
    _must(uv, "build", "--wheel", "--out-dir", place, cwd=ROOT)
    wheel = next(place.glob("evapfleet-*.whl"))
    programs = place / "env" / "bin"
    _must(uv, "venv", "-q", place / "env", cwd=place)
    newest = ("--exclude-newer", _newest())
    _must(uv, "pip", "install", "-q", *newest, "--python", programs / "python", wheel, cwd=place)
    (place / "empty").mkdir()
    return Installed(wheel, programs / "evapfleet", place / "empty")


def _newest() -> str:
    return str(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["uv"]["exclude-newer"])
