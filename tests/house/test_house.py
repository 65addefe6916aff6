"""The house rules that a machine can check: lint, format, types, imports, what may be committed."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import LONG_FILES

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent


def _run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    "command",
    [
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
        ("mypy",),
        ("lint-imports", "--no-cache"),
    ],
    ids=["lint", "format", "types", "imports"],
)
def test_the_tree_keeps_the_house_rules(command: tuple[str, ...]) -> None:
    """Lint, format, types and the import contract are clean."""
    done = _run(str(BIN / command[0]), *command[1:])
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def _tracked() -> list[str]:
    done = _run("git", "ls-files")
    if done.returncode or not done.stdout.strip():
        return [p.relative_to(ROOT).as_posix() for p in ROOT.iterdir() if p.name not in (".venv", "out")]
    return done.stdout.split("\n")[:-1]


def test_the_top_level_holds_only_what_the_design_names() -> None:
    """Nothing but the named files, folders and dot-files stands at the top."""
    named = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "pipeline",
        "sql",
        "reports",
        "tests",
        "sample_lake",
    }
    top = {path.split("/")[0] for path in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= named


def test_files_that_are_to_come_first_are_there() -> None:
    """A test file that was renamed would silently lose its place in the order."""
    assert [name for name in LONG_FILES if not (ROOT / name).is_file()] == []


def test_no_lock_file_and_no_package_index_is_committed() -> None:
    """A lock file records index addresses; neither it nor such an address may be tracked."""
    hosts = re.compile("|".join(("pyp" + r"i\.org", "python" + r"hosted\.org", "npm" + r"js\.org")))
    tracked = _tracked()
    assert "uv.lock" not in tracked
    for name in tracked:
        path = ROOT / name
        if path.suffix in {".py", ".sql", ".md", ".toml", ".html", ".css", ".js"} and path.is_file():
            assert not hosts.search(path.read_text(encoding="utf-8")), name


def test_every_sql_model_tells_its_grain_key_and_reads() -> None:
    """A model's header says what one row is, what names it, and what it reads."""
    models = sorted((ROOT / "sql").glob("*/*.sql"))
    assert models
    for path in models:
        text = path.read_text(encoding="utf-8")
        for word in ("-- grain:", "-- reads:"):
            assert word in text, f"{path.name} lacks {word}"
