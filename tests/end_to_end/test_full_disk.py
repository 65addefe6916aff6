"""A disk that is full is told as such, in whatever step it was met, and nothing of the previous run changes.

The words are those that the libraries said in November 2026 when a run of the sample lake filled a file system of
1 to 19 MiB (`mount -t tmpfs -o size=9m`), by hand: each step that writes met it once.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.errors import OurFault
from pipeline.full_disk import is_of_a_full_disk
from tests.end_to_end.conftest import Done, Evapfleet
from tests.end_to_end.test_bad_input import fingerprint

FULL = "No space left on device"
BY_DATABASE = duckdb.TransactionException(
    f'TransactionContext Error: Failed to commit: Could not write file "warehouse.duckdb.wal": {FULL}'
)
BY_SYSTEM = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
BY_FRAMES = pl.exceptions.ComputeError(
    f"parquet: File out of specification: underlying IO error: {FULL} (os error 28)"
)
BY_LIMIT = duckdb.OutOfMemoryException(
    "failed to offload data block of size 256.0 KiB: This limit was set by the 'max_temp_directory_size' setting."
)
REFUSED = OurFault("the database refuses this SQL", "sql/tally/after_clear_count.sql", "check what it reads")
REFUSED.__cause__ = BY_DATABASE

STEPS = {
    "stage": ("pipeline.steps.run.create_stage", BY_DATABASE),
    "samples": ("pipeline.steps.samples.write_kept", BY_FRAMES),
    "measure": ("pipeline.steps.measure.pickle.dump", BY_SYSTEM),
    "model": ("pipeline.steps.model.run_models", REFUSED),
    "spill": ("pipeline.steps.model.run_models", BY_LIMIT),
    "tables": ("pipeline.steps.publish.for_spreadsheet", BY_FRAMES),
    "pages": ("reports.build.build_site", BY_SYSTEM),
    "put in place": ("pipeline.steps.folder.os.replace", BY_SYSTEM),
}


def _raises(problem: Exception) -> Any:
    def raising(*_: object, **__: object) -> None:
        raise problem

    return raising


@pytest.mark.parametrize(("place", "problem"), STEPS.values(), ids=STEPS)
def test_a_full_disk_is_named_and_the_previous_run_stands(
    place: str, problem: Exception, done: Done, evapfleet: Evapfleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 1; the folder, its free room and the way out are told, and not the step that met it."""
    (done.source / "samples_more.parquet").write_bytes((done.source / "samples.parquet").read_bytes())
    (done.source / "samples.parquet").unlink()
    before = fingerprint(done.out)
    monkeypatch.setattr(place, _raises(problem))
    # What is found out of a large lake's recordings goes to disk; of this one all would stay in memory.
    monkeypatch.setattr("pipeline.steps.measure.KEPT_IN_MEMORY", 0)
    said = evapfleet("run", done.lake, "--out", done.out, "--to", "2023-08-01")
    assert said.status == 1, said.err
    assert "evapfleet: the disk is full\n" in said.err
    assert f"where: {done.out}, with " in said.err
    assert " free of " in said.err
    assert "make room there" in said.err
    assert "sql/" not in said.err
    assert fingerprint(done.out) == before
    assert not (done.out / ".building").exists()


def test_a_new_lake_that_does_not_fit_says_so(
    tmp_path: Path, evapfleet: Evapfleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`simulate` too names the folder that it was filling."""
    monkeypatch.setattr("pipeline.simulate.lake.simulate_lake", _raises(BY_SYSTEM))
    said = evapfleet("simulate", tmp_path / "lake", "--vehicles", "5", "--seed", "1")
    assert said.status == 1
    assert "the disk is full" in said.err
    assert str(tmp_path / "lake") in said.err


def test_words_of_a_record_are_no_full_disk() -> None:
    """A record may say anything; what we quote of it in our own words does not count."""
    assert not is_of_a_full_disk(OurFault(f"no such word: {FULL}"))
    assert not is_of_a_full_disk(OSError(errno.EACCES, "Permission denied"))
    assert is_of_a_full_disk(REFUSED)
