"""The program as its user runs it, without waiting for Prefect's server in every test; a run to start from."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pytest

from pipeline import cli
from pipeline.settings import Settings
from pipeline.steps.road import whole_road
from tests.end_to_end.small_lake import write_small_lake


@dataclass(frozen=True)
class Said:
    """What a command printed, and its exit status."""

    status: int
    out: str
    err: str


Evapfleet = Callable[..., Said]


@pytest.fixture
def evapfleet(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Evapfleet:
    """Call the command in this process; `run` takes the same steps without a Prefect server."""
    monkeypatch.setattr("pipeline.flows.run_lake", whole_road)

    def call(*arguments: str | Path) -> Said:
        capsys.readouterr()
        status = 0
        try:
            cli.main([str(argument) for argument in arguments])
        except SystemExit as done:
            status = int(done.code or 0)
        printed = capsys.readouterr()
        return Said(status, printed.out, printed.err)

    return call


class Done(NamedTuple):
    """The small lake, its one source, and the output folder of a run that succeeded."""

    lake: Path
    source: Path
    out: Path


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the small lake once; `kept` beside it holds lake and output folder as the run left them."""
    root = tmp_path_factory.mktemp("finished")
    write_small_lake(root / "lake")
    whole_road(root / "lake", root / "out", Settings(), lambda line: None)
    for name in ("lake", "out"):
        shutil.copytree(root / name, root / "kept" / name)
    return root


@pytest.fixture
def done(finished: Path) -> Done:
    """Put lake and output folder back as the run left them, whatever the test before did to them."""
    for name in ("lake", "out"):
        shutil.rmtree(finished / name, ignore_errors=True)
        shutil.copytree(finished / "kept" / name, finished / name)
    return Done(finished / "lake", finished / "lake" / "own", finished / "out")
