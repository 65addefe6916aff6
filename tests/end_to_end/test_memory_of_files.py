"""What was read is remembered: nothing is read twice, a changed file replaces its own rows, the rows of a
file that is gone go with it, and it does not matter in which run a file came."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from pipeline.contract.tables import MARTS
from pipeline.settings import Settings
from pipeline.steps.road import Outcome, whole_road
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.conftest import Done
from tests.end_to_end.small_lake import INSPECTIONS, JOBS, VEHICLES, samples, write_small_lake

CORE = ("core.vehicles", "core.jobs", "core.traces", "core.samples", "core.inspections", "quarantine.records")
CLOSED_J4 = "J4,south,T2,V3,2023-09-01T09:00:00Z,2023-09-02T09:00:00Z,P0455,canister,replaced"
TABLES = (*CORE, *(table.full_name for table in MARTS))


def _run(lake: Path, out: Path) -> Outcome:
    return whole_road(lake, out, Settings(), lambda line: None)


def _tables(out: Path) -> dict[str, pl.DataFrame]:
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        return {name: warehouse.table(name) for name in TABLES}


def _same(left: Path, right: Path) -> None:
    mine, theirs = _tables(left), _tables(right)
    for name in TABLES:
        by = [c for c, t in mine[name].schema.items() if t != pl.List(pl.String)]
        assert_frame_equal(mine[name].sort(by), theirs[name].sort(by), check_exact=True)


def _files(out: Path) -> list[tuple[str, int, int, int, int]]:
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        return warehouse.query(
            "select file, n_read, n_accepted, n_quarantined, n_duplicate from audit.files order by file"
        ).rows()


def _renamed(text: str) -> str:
    """Give every record an id of its own, so that another source tells of other vehicles."""
    return re.sub(r"\b([VJRI])(\d)\b", r"\1\g<2>9", text)


def test_a_second_run_reads_nothing_and_changes_nothing(tmp_path: Path) -> None:
    """Nothing new: no file is read, every table stands."""
    write_small_lake(tmp_path / "lake")
    first = _run(tmp_path / "lake", tmp_path / "out")
    before = _tables(tmp_path / "out")
    second = _run(tmp_path / "lake", tmp_path / "out")
    assert (first.n_read_files, second.n_read_files) == (5, 0)
    for name, frame in _tables(tmp_path / "out").items():
        assert_frame_equal(frame, before[name])


def test_a_changed_file_replaces_its_own_rows_only(done: Done, tmp_path: Path) -> None:
    """One file changes: it alone is read, and the result is that of reading all anew."""
    lake, source, out = done
    (source / "jobs.csv").write_text(
        JOBS.replace("purge_valve,replaced", "canister,replaced"), encoding="utf-8"
    )
    assert _run(lake, out).n_read_files == 1
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")


def test_the_rows_of_a_file_that_is_gone_go_with_it(done: Done, tmp_path: Path) -> None:
    """Inspections are deleted: the run says how many records went, and the result is that of reading all anew."""
    lake, source, out = done
    (source / "inspections.csv").unlink()
    told = _run(lake, out)
    assert "own/inspections.csv: it is gone from the lake; its 3 records go with it" in told.notes
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")
    assert _files(out) == _files(tmp_path / "anew")
    assert _run(lake, out).n_read_files == 0


def test_a_file_that_was_renamed_and_corrected_is_not_held_against_its_old_self(
    done: Done, tmp_path: Path
) -> None:
    """Job J4, open and without a repair, comes closed under next month's name: it counts as it now is."""
    lake, source, out = done
    (source / "jobs.csv").unlink()
    closed = JOBS.replace("J4,south,T2,V3,2023-09-01T09:00:00Z,,P0455,none_found,none", CLOSED_J4)
    (source / "jobs_next_month.csv").write_text(closed, encoding="utf-8")
    _run(lake, out)
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")
    jobs = _tables(out)["core.jobs"].filter(pl.col("job_id") == "J4")
    assert jobs.select("component", "action").rows() == [("canister", "replaced")]
    assert _tables(out)["quarantine.records"].filter(pl.col("kind") == "jobs").is_empty()


def test_recordings_that_a_file_shared_with_one_that_is_gone_are_its_own_then(
    done: Done, tmp_path: Path
) -> None:
    """Two files say the same; the first by path goes, and what was said again in the other is accepted from it."""
    lake, source, out = done
    both = samples()
    both.write_parquet(source / "samples_2.parquet")
    both.filter(pl.col("trace_id") == "R1").write_parquet(source / "samples_1.parquet")
    _run(lake, out)
    for name in ("samples.parquet", "samples_1.parquet"):
        (source / name).unlink()
        _run(lake, out)
        _run(lake, tmp_path / f"without_{name}")
        _same(out, tmp_path / f"without_{name}")
        assert _files(out) == _files(tmp_path / f"without_{name}")
    assert set(_tables(out)["core.samples"]["file"]) == {"own/samples_2.parquet"}


def test_a_source_that_is_gone_as_a_whole_keeps_its_rows_as_a_disk_may_not_be_mounted(
    done: Done, tmp_path: Path
) -> None:
    """Missing or empty: kept and told. Under another name with the same content, it has moved, and counts once."""
    lake, _, out = done
    write_small_lake(lake, "zz")
    for path in (lake / "zz").iterdir():
        text = path.read_bytes() if path.suffix == ".parquet" else _renamed(path.read_text(encoding="utf-8"))
        path.write_bytes(text) if isinstance(text, bytes) else path.write_text(text, encoding="utf-8")
    (lake / "zz" / "samples.parquet").unlink()
    _run(lake, out)
    before = _tables(out)
    (lake / "zz").rename(tmp_path / "unmounted")
    for _ in range(2):
        notes = _run(lake, out).notes
        assert any(n.startswith("zz: the whole source is gone") and "the rows of 4 files" in n for n in notes)
        assert _tables(out)["core.jobs"].equals(before["core.jobs"])
    (tmp_path / "unmounted").rename(lake / "zz_shop")
    _run(lake, out)
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")
    assert "zz" not in set(_tables(out)["core.jobs"]["source_id"])


def test_an_empty_folder_keeps_its_rows_and_a_record_that_is_there_goes_before_them(
    done: Done, tmp_path: Path
) -> None:
    """A folder of a source is empty, as when its disk is not mounted; delete it, and its rows go."""
    lake, source, out = done
    (source / "a_disk").mkdir()
    (source / "inspections.csv").rename(source / "a_disk" / "inspections.csv")
    _run(lake, out)
    (source / "a_disk" / "inspections.csv").unlink()
    (source / "inspections.csv").write_text(
        "".join(INSPECTIONS.splitlines(keepends=True)[:2]).replace("S1", "S9"), encoding="utf-8"
    )
    notes = _run(lake, out).notes
    assert any(note.startswith("own/a_disk: the folder is empty") for note in notes)
    held = _tables(out)["core.inspections"].sort("inspection_id")
    assert held.select("inspection_id", "station_id").rows() == [("I1", "S9"), ("I2", "S1"), ("I3", "S2")]
    (source / "a_disk").rmdir()
    _run(lake, out)
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")


def test_a_missing_vehicle_that_comes_later_lets_its_records_in(tmp_path: Path) -> None:
    """Jobs, recordings, samples and inspections of an unknown vehicle are quarantined, and are accepted
    once the register names it, whatever the order of the runs."""
    source = write_small_lake(tmp_path / "lake")
    without = "".join(line for line in VEHICLES.splitlines(keepends=True) if not line.startswith("V1"))
    (source / "vehicles.csv").write_text(without, encoding="utf-8")
    _run(tmp_path / "lake", tmp_path / "out")
    early = _tables(tmp_path / "out")
    assert early["core.samples"].height == 0
    assert early["quarantine.records"].filter(pl.col("kind") == "samples").height == 360
    assert early["quarantine.records"].filter(pl.col("kind") == "jobs")["rule"].to_list() == ["reference"] * 2
    (source / "vehicles.csv").write_text(VEHICLES, encoding="utf-8")
    _run(tmp_path / "lake", tmp_path / "out")
    _run(tmp_path / "lake", tmp_path / "anew")
    _same(tmp_path / "out", tmp_path / "anew")
    assert _tables(tmp_path / "out")["core.samples"].height == 360


def test_a_file_in_two_copies_counts_once(done: Done, tmp_path: Path) -> None:
    """The same export twice: every record of the second copy is a duplicate, and no number changes."""
    lake, source, out = done
    for name, copy in (("inspections.csv", "inspections_2.csv"), ("samples.parquet", "samples_2.parquet")):
        (source / copy).write_bytes((source / name).read_bytes())
    _run(lake, tmp_path / "twice")
    _same(out, tmp_path / "twice")
    with open_warehouse(tmp_path / "twice" / "warehouse.duckdb") as warehouse:
        files = warehouse.table("audit.files")
    counts = {row["file"]: (row["n_accepted"], row["n_duplicate"]) for row in files.iter_rows(named=True)}
    assert counts["own/inspections_2.csv"] == (0, 3)
    assert counts["own/samples_2.parquet"] == (0, 360)


def test_which_of_two_files_stands_does_not_depend_on_the_run(done: Done, tmp_path: Path) -> None:
    """A recording in two files that contradict each other: the first by path stands, also when it came later; a file
    between them that cannot be read keeps its earlier samples, and nothing is counted twice."""
    lake, source, out = done
    other = lake / "another"
    other.mkdir()
    shifted = samples().with_columns(pl.col("tank_pressure_pa") + 1.0)
    shifted.head(100).write_parquet(other / "samples.parquet")
    _run(lake, out)
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")
    told = _tables(out)["quarantine.records"]
    assert told["reason"].str.contains("first in another/samples.parquet").all()
    (other / "samples.parquet").write_bytes(b"cut")
    samples().write_parquet(source / "samples_2.parquet")
    _run(lake, out)
    held = _tables(out)["core.samples"]
    assert held.filter(pl.col("file") == "another/samples.parquet").height == 100
    assert held.select("trace_id", "t_s").is_unique().all()


def test_every_record_is_accounted_for(tmp_path: Path) -> None:
    """n_read = n_accepted + n_quarantined + n_duplicate in each file, and the quarantine agrees."""
    source = write_small_lake(tmp_path / "lake")
    dirty = (
        INSPECTIONS + "I3,V3,S2,2023-06-01T10:00:00Z,00076504,ok,ok,pass\nI4,V9,S2,2023-06-01T10:00:00Z,,,,\n"
    )
    (source / "inspections.csv").write_text(dirty, encoding="utf-8")
    _run(tmp_path / "lake", tmp_path / "out")
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        files = warehouse.table("audit.files")
        held = warehouse.query(
            "select file, count(distinct row) as n from quarantine.records group by file order by file"
        )
    total = files["n_accepted"] + files["n_quarantined"] + files["n_duplicate"]
    assert files["n_read"].to_list() == total.to_list()
    line = files.filter(pl.col("file") == "own/inspections.csv").row(0, named=True)
    assert (line["n_read"], line["n_accepted"], line["n_quarantined"], line["n_duplicate"]) == (5, 3, 1, 1)
    assert dict(held.iter_rows()) == {"own/inspections.csv": 1}


YARD = r"""
[samples]
file_name = '(?P<job_id>J\d)_(?P<stage>before|after)_(?P<recorded_at>\d{8}T\d{6}Z)'
[samples.values.stage]
before = "before_repair"
after = "after_repair"
"""


def _write_yard(lake: Path) -> Path:
    """Add a source that tells a recording's facts in its file's name; return the file, which has one wrong sample."""
    yard = lake / "yard"
    yard.mkdir()
    (yard / "source.toml").write_text(YARD, encoding="utf-8")
    file = yard / "samples_J3_before_20230301T093000Z.csv"
    told = samples().filter(trace_id="R1").drop("trace_id")
    longer = pl.concat([told.with_columns(pl.col("t_s") + 90.0 * n) for n in range(12)])
    wrong = pl.when(pl.col("t_s") == 7.0).then(300.0).otherwise("purge_duty_pct")
    longer.with_columns(purge_duty_pct=wrong).write_csv(file)
    return file


def test_a_recording_whose_file_is_damaged_behind_its_beginning_keeps_what_was_refused_of_it(
    done: Done, tmp_path: Path
) -> None:
    """The name and the first lines still tell the header; samples, accepted and refused, stay as they were read."""
    lake, _, out = done
    file = _write_yard(lake)
    _run(lake, out)
    before = _tables(out)
    assert before["quarantine.records"].select("row", "rule").rows() == [(15, "range")]
    file.write_bytes(file.read_bytes() + b"1081,\0")
    assert any("NUL" in note for note in _run(lake, out).notes)
    after = _tables(out)
    assert_frame_equal(after["quarantine.records"], before["quarantine.records"])
    assert after["core.samples"].height == before["core.samples"].height


def test_headers_that_file_names_no_longer_tell_go(done: Done, tmp_path: Path) -> None:
    """The pattern is taken out of the source.toml: the result is that of reading all anew."""
    lake, _, out = done
    file = _write_yard(lake)
    _run(lake, out)
    assert file.stem in set(_tables(out)["core.traces"]["trace_id"])
    (file.parent / "source.toml").unlink()
    _run(lake, out)
    _run(lake, tmp_path / "anew")
    _same(out, tmp_path / "anew")
