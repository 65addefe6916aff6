"""Files of earlier runs that are not there: which are gone, and which may come back."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.lake.find import take_stock
from pipeline.steps.departed import Departed, part_departed


def departed(lake: Path, *files: str) -> Departed:
    known = pl.DataFrame({"file": list(files), "sha256": [f"hash of {file}" for file in files]})
    return part_departed(lake, take_stock(lake), known)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "jobs.csv").write_text("job_id\n", encoding="utf-8")
    return tmp_path


def test_a_file_is_gone_when_others_of_its_folder_are_there(lake: Path) -> None:
    found = departed(lake, "own/jobs.csv", "own/jobs_old.csv", "own/no_such_folder/jobs.csv")
    assert found.gone["file"].to_list() == ["own/jobs_old.csv", "own/no_such_folder/jobs.csv"]
    assert found.held.is_empty()
    assert found.notes == []


def test_a_file_below_an_empty_folder_or_a_link_that_leads_nowhere_is_held(lake: Path) -> None:
    """An empty mount point, the folders below it gone with the disk; a link to a disk that is not there."""
    (lake / "own" / "disk").mkdir()
    (lake / "own" / "link").symlink_to(lake / "nowhere")
    found = departed(lake, "own/disk/2024/jobs.csv", "own/disk/2025/jobs.csv", "own/link/jobs.csv")
    assert found.gone.is_empty()
    assert sorted(note.split(" (")[0] for note in found.notes) == [
        "own/disk: the folder is empty, as when a disk is not mounted",
        "own/link: it cannot be looked into; the rows of 1 file that earlier runs read there are kept",
    ]


def test_a_source_that_is_gone_as_a_whole_is_held(lake: Path) -> None:
    found = departed(lake, "south/jobs.csv", "south/vehicles.csv")
    assert found.held.height == 2
    assert "the whole source is gone" in found.notes[0]
    assert "the rows of 2 files" in found.notes[0]
