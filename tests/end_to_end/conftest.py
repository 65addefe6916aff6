"""The program as its user runs it, without waiting for Prefect's server in every test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline import cli
from pipeline.steps.road import whole_road


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
