"""The output folder: nobody's files are replaced, and damage to what a run left there is mended by the next."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.steps.folder import building_in
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.conftest import Done, Evapfleet
from tests.end_to_end.small_lake import samples, write_small_lake


@pytest.fixture
def done(done: Done, tmp_path: Path) -> tuple[Path, Path]:
    """Return lake and output folder of a run, moved to a place of its own."""
    shutil.copytree(done.out, tmp_path / "out")
    return done.lake, tmp_path / "out"


@pytest.mark.parametrize("inside", ["", "out", "own", ".out", "own/site"])
def test_an_output_folder_inside_the_lake_is_refused(
    inside: str, tmp_path: Path, evapfleet: Evapfleet
) -> None:
    """A lake is never changed: not by an output folder in it, nor by a source's own `samples/` taken for ours."""
    source = write_small_lake(tmp_path / "lake")
    (source / "samples").mkdir()
    (source / "samples.parquet").rename(source / "samples" / "samples.parquet")
    before = sorted(tmp_path.rglob("*"))
    said = evapfleet("run", tmp_path / "lake", "--out", tmp_path / "lake" / inside)
    assert said.status == 2
    assert "inside the lake" in said.err
    assert sorted(tmp_path.rglob("*")) == before


def test_a_lake_below_what_a_run_replaces_is_refused(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """`out/site/lake` would be swept away with the site."""
    write_small_lake(tmp_path / "out" / "site" / "lake")
    said = evapfleet("run", tmp_path / "out" / "site" / "lake", "--out", tmp_path / "out")
    assert said.status == 2
    assert "replaces" in said.err


@pytest.mark.parametrize(
    "name", ["site/mine.html", "tables/mine.csv", "samples/mine.parquet", ".building/mine"]
)
def test_a_folder_with_another_s_files_is_refused(name: str, tmp_path: Path, evapfleet: Evapfleet) -> None:
    """What evapfleet did not make it does not replace."""
    write_small_lake(tmp_path / "lake")
    mine = tmp_path / "out" / name
    mine.parent.mkdir(parents=True)
    mine.write_text("mine", encoding="utf-8")
    said = evapfleet("run", tmp_path / "lake", "--out", tmp_path / "out")
    assert said.status == 2
    assert name.split("/")[0] in said.err
    assert mine.read_text(encoding="utf-8") == "mine"


def test_another_s_database_is_refused(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """A warehouse.duckdb without our tables is not overwritten."""
    write_small_lake(tmp_path / "lake")
    (tmp_path / "out").mkdir()
    with duckdb.connect(str(tmp_path / "out" / "warehouse.duckdb")) as con:
        con.execute("create table mine as select 1 as x")
    assert evapfleet("run", tmp_path / "lake", "--out", tmp_path / "out").status == 2
    with duckdb.connect(str(tmp_path / "out" / "warehouse.duckdb"), read_only=True) as con:
        assert con.execute("select x from mine").fetchall() == [(1,)]


def test_files_beside_ours_stay(done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """A note beside the warehouse, and a Parquet file beside our samples, outlive a run with news."""
    lake, out = done
    others = [out / "notes.txt", out / "samples" / "mine.parquet"]
    for path in others:
        path.write_text("mine", encoding="utf-8")
    assert evapfleet("run", lake, "--out", out, "--to", "2023-08-01").status == 0
    assert [path.read_text(encoding="utf-8") for path in others] == ["mine", "mine"]


@pytest.mark.parametrize("damage", ["garbage", "cut"])
def test_a_damaged_warehouse_is_made_anew(damage: str, done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """`publish` and `explain` say what to do; a run reads every file again and says so."""
    lake, out = done
    path = out / "warehouse.duckdb"
    path.write_bytes(
        b"garbage" * 999 if damage == "garbage" else path.read_bytes()[: path.stat().st_size // 2]
    )
    said = evapfleet("publish", out)
    assert said.status == 2
    assert "read" in said.err
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 0, said.err
    assert "every file is read anew" in said.err
    with open_warehouse(path) as warehouse:
        assert warehouse.table("core.samples").height == 360


@pytest.mark.parametrize("damage", ["gone", "cut"])
def test_lost_samples_are_read_again(damage: str, done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """Accepted samples that are gone from the output folder come from the lake again."""
    lake, out = done
    for path in (out / "samples").glob("*.parquet"):
        path.unlink() if damage == "gone" else path.write_bytes(path.read_bytes()[:9])
    assert evapfleet("publish", out).status == 2
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 0, said.err
    assert "1 file read this time" in said.out
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        assert warehouse.table("core.samples").height == 360


def test_what_to_do_is_what_helps(
    finished: Path, done: tuple[Path, Path], tmp_path: Path, evapfleet: Evapfleet
) -> None:
    """After a move `publish` mends the folder, as `explain` says; a lone damaged warehouse is told as damaged."""
    _, moved = done
    shutil.rmtree(finished / "out")
    said = evapfleet("explain", moved, "R1")
    assert said.status == 2
    assert "where the folder was moved: `evapfleet publish DIR`" in said.err
    assert evapfleet("publish", moved).status == 0
    assert evapfleet("explain", moved, "R1").status == 0
    (tmp_path / "lone").mkdir()
    (tmp_path / "lone" / "warehouse.duckdb").write_bytes(b"cut")
    said = evapfleet("publish", tmp_path / "lone")
    assert said.status == 2
    assert "the warehouse is damaged, or no warehouse" in said.err
    assert "did not make" not in said.err
    assert "delete that file" in said.err


def test_a_path_is_no_pattern(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Brackets, stars and quotes in an output path are plain characters, also when samples are replaced."""
    source = write_small_lake(tmp_path / "lake")
    out = tmp_path / "it's [1] *"
    assert evapfleet("run", tmp_path / "lake", "--out", out).status == 0
    samples().filter(pl.col("trace_id") == "R1").write_parquet(source / "samples.parquet")
    said = evapfleet("run", tmp_path / "lake", "--out", out)
    assert said.status == 0, said.err
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        assert warehouse.table("core.samples").height == 180


def test_an_interrupted_run_leaves_the_old_pages(done: tuple[Path, Path]) -> None:
    """A run that died between taking the old site aside and putting the new one there: the old one comes back."""
    _, out = done
    (out / ".building").mkdir()
    (out / "site").rename(out / ".building" / "site.old")
    with building_in(out):
        assert (out / "site" / "index.html").is_file()
    assert not (out / ".building").exists()


def test_a_warehouse_of_an_older_form_says_run_again(done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """A table that is missing: `explain` and `publish` say "run again"; a run reads everything anew."""
    lake, out = done
    with open_warehouse(out / "warehouse.duckdb", read_only=False) as warehouse:
        warehouse.con.execute("drop table stage.trace_facts")
    for verb in (("explain", out, "R1"), ("publish", out)):
        said = evapfleet(*verb)
        assert said.status == 2
        assert "stage.trace_facts" in said.err
        assert "run LAKE --out DIR` again" in said.err
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 0, said.err
    assert "5 files read this time" in said.out
    assert evapfleet("explain", out, "R1").status == 0


def test_two_runs_at_once(done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """The second of two runs in one folder waits for nobody: it says so, status 1, and changes nothing."""
    lake, out = done
    before = (out / "warehouse.duckdb").read_bytes()
    with building_in(out):
        said = evapfleet("run", lake, "--out", out)
    assert said.status == 1
    assert "another run is at work" in said.err
    assert (out / "warehouse.duckdb").read_bytes() == before


def test_a_window_beyond_the_jobs_is_wrong_usage(done: tuple[Path, Path], evapfleet: Evapfleet) -> None:
    """--from after the last job leaves no window: status 2, and the days of the jobs are named."""
    lake, out = done
    said = evapfleet("run", lake, "--out", out, "--from", "2030-01-01")
    assert said.status == 2
    assert "2023-01-02 to 2023-09-01" in said.err


def test_a_lake_that_gives_nothing_says_why(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Inspections without a register: status 1 with the commonest reason."""
    source = write_small_lake(tmp_path / "lake")
    for path in source.iterdir():
        if path.name != "inspections.csv":
            path.unlink()
    said = evapfleet("run", tmp_path / "lake", "--out", tmp_path / "out")
    assert said.status == 1
    assert "V1 names no accepted record of vehicles (2)" in said.err
