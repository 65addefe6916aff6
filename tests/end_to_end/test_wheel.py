"""The installed wheel works outside the checkout: models, pages and the sample lake travel with it."""

from __future__ import annotations

import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def _do(*command: str | Path, cwd: Path) -> str:
    environment = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONPATH")}
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]
    return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Build the wheel, install it into a fresh environment, return (environment, wheel)."""
    uv = shutil.which("uv")
    if uv is None:
        pytest.skip("uv is not installed: python3 -m pip install uv")
    place = tmp_path_factory.mktemp("wheel")
    _do(uv, "build", "--wheel", "--out-dir", place, cwd=ROOT)
    wheel = next(place.glob("evapfleet-*.whl"))
    _do(uv, "venv", "-q", place / "env", cwd=place)
    newest = ("--exclude-newer", _newest())
    _do(uv, "pip", "install", "-q", *newest, "--python", place / "env" / "bin" / "python", wheel, cwd=place)
    return place / "env", wheel


def _newest() -> str:
    import tomllib

    return str(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["uv"]["exclude-newer"])


def test_the_wheel_carries_what_it_needs(installed: tuple[Path, Path]) -> None:
    """SQL models, templates and the sample lake are inside; tests are not."""
    names = zipfile.ZipFile(installed[1]).namelist()
    for part in ("pipeline/_carried/sql/core/", "pipeline/_carried/sample_lake/", "reports/templates/"):
        assert any(name.startswith(part) for name in names), part
    assert not any(name.startswith("tests/") for name in names)


def test_the_wheel_runs_the_sample_lake_outside_the_checkout(
    installed: tuple[Path, Path], tmp_path: Path
) -> None:
    """In a folder that holds nothing, `evapfleet run sample_lake` reads the lake that came with it."""
    said = _do(installed[0] / "bin" / "evapfleet", "run", "sample_lake", "--out", "out", cwd=tmp_path)
    page = Path(said.strip().splitlines()[-1].split(maxsplit=1)[1])
    assert page == tmp_path / "out" / "site" / "index.html"
    assert page.is_file()
    assert (tmp_path / "out" / "tables" / "failure_rate.csv").stat().st_size > 0
