"""Bad input: a clear message, the right exit status, and nothing of the previous run lost."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import polars as pl
import pytest

from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.conftest import Done, Evapfleet
from tests.end_to_end.small_lake import JOBS, write_small_lake


def fingerprint(out: Path) -> dict[str, str]:
    files = [p for p in out.rglob("*") if p.is_file() and p.name != ".lock"]
    return {str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_a_missing_folder_is_wrong_usage(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """No such lake: status 2, the path is named."""
    said = evapfleet("run", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert said.status == 2
    assert "no such folder" in said.err
    assert "nowhere" in said.err
    assert not (tmp_path / "out").exists()


def test_an_empty_lake_stops_the_run(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Nothing to read: status 1, and no warehouse is made."""
    (tmp_path / "lake").mkdir()
    said = evapfleet("run", tmp_path / "lake", "--out", tmp_path / "out")
    assert said.status == 1
    assert "to do" in said.err
    assert not (tmp_path / "out" / "warehouse.duckdb").exists()


def test_a_lake_of_nonsense_stops_the_run(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Random bytes under the right names: status 1, no traceback, no warehouse."""
    source = tmp_path / "lake" / "noise"
    source.mkdir(parents=True)
    noise = random.Random(3)
    for name in ("vehicles.csv", "jobs.parquet", "traces.jsonl", "samples.csv.gz", "inspections.csv"):
        (source / name).write_bytes(noise.randbytes(4000))
    said = evapfleet("run", tmp_path / "lake", "--out", tmp_path / "out")
    assert said.status == 1
    assert "Traceback" not in said.err
    assert "to do" in said.err
    assert not (tmp_path / "out" / "warehouse.duckdb").exists()


def test_a_wrong_delimiter_stops_the_run_and_says_so(done: Done, evapfleet: Evapfleet) -> None:
    """A file in one column: status 1, the delimiter is named, the previous result is untouched."""
    lake, source, out = done
    before = fingerprint(out)
    (source / "jobs.csv").write_text(JOBS.replace(",", "|"), encoding="utf-8")
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 1
    assert "jobs.csv" in said.err
    assert "delimiter" in said.err
    assert fingerprint(out) == before


def test_a_parquet_cut_in_half_is_reported_and_its_earlier_rows_stay(
    done: Done, evapfleet: Evapfleet
) -> None:
    """An unreadable file does not stop the others; what was read of it earlier stays."""
    lake, source, out = done
    whole = (source / "samples.parquet").read_bytes()
    (source / "samples.parquet").write_bytes(whole[: len(whole) // 2])
    (source / "jobs.csv").write_text(JOBS.replace("J4,south", "J4,north"), encoding="utf-8")
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 0, said.err
    assert "samples.parquet" in said.err
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        assert warehouse.table("core.samples").height == 360
        jobs = warehouse.table("core.jobs")
        files = warehouse.table("audit.files")
    assert jobs.filter(pl.col("job_id") == "J4")["shop_id"].to_list() == ["north"]
    status = dict(files.select("file", "status").iter_rows())
    assert status["own/samples.parquet"] == "unreadable"
    assert status["own/jobs.csv"] == "read"


def test_a_unit_nobody_knows_is_refused_with_the_choices(done: Done, evapfleet: Evapfleet) -> None:
    """An unknown unit in source.toml: status 2, the choices are named, the previous result is untouched."""
    lake, source, out = done
    before = fingerprint(out)
    (source / "source.toml").write_text('[samples.units]\ntank_pressure = "furlong"\n', encoding="utf-8")
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 2
    assert "furlong" in said.err
    assert "inH2O" in said.err
    assert fingerprint(out) == before


@pytest.mark.parametrize("verb", ["run", "check"])
def test_a_source_whose_pressures_have_no_unit_is_wrong_settings(
    verb: str, done: Done, evapfleet: Evapfleet
) -> None:
    """`tank_pressure` alone could be anything: status 2, the file and the choices are named, nothing is changed."""
    lake, source, out = done
    before = fingerprint(out)
    frame = pl.read_parquet(source / "samples.parquet").rename({"tank_pressure_pa": "tank_pressure"})
    frame.write_parquet(source / "samples.parquet")
    said = evapfleet(verb, lake, *(("--out", out) if verb == "run" else ()))
    assert said.status == 2
    assert (
        "samples of own: The pressure column 'tank_pressure' cannot be read: no unit is declared" in said.err
    )
    assert "own/samples.parquet" in said.err
    assert "inH2O" in said.err
    assert fingerprint(out) == before


def test_one_file_without_a_unit_among_others_is_reported_and_the_others_go_on(
    done: Done, evapfleet: Evapfleet
) -> None:
    """One recording of many whose pressure has no unit: it alone is left out, the run says so and the check fails."""
    lake, source, out = done
    frame = pl.read_parquet(source / "samples.parquet").rename({"tank_pressure_pa": "tank_pressure"})
    frame.with_columns(trace_id=pl.lit("R3")).write_parquet(source / "samples_3.parquet")
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 0, said.err
    assert "inH2O" in said.err
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        assert warehouse.table("core.samples").height == 360
    said = evapfleet("check", lake)
    assert said.status == 1
    assert "1 of 6 files cannot be read" in said.err


def test_a_register_that_could_once_be_read_and_no_longer_can_stops_the_run(
    done: Done, evapfleet: Evapfleet
) -> None:
    """Yesterday's jobs under today's date would be told as news: status 1 every time, and the result stands."""
    lake, source, out = done
    before = fingerprint(out)
    (source / "jobs.csv").write_bytes(JOBS.replace("J4", "J\xe9").encode("latin-1"))
    for _ in range(2):
        assert evapfleet("run", lake, "--out", out).status == 1
    assert fingerprint(out) == before
    (source / "jobs_2.csv").write_text(JOBS, encoding="utf-8")
    assert evapfleet("run", lake, "--out", out).status == 0


@pytest.mark.parametrize("kind", ["vehicles", "jobs"])
@pytest.mark.parametrize("verb", ["run", "check"])
def test_a_register_of_which_no_file_can_be_read_stops_the_run(
    verb: str, kind: str, tmp_path: Path, evapfleet: Evapfleet
) -> None:
    """The only file of vehicles or jobs is no UTF-8: status 1, file, byte and way out are named, nothing is made."""
    source = write_small_lake(tmp_path / "lake")
    whole = (source / f"{kind}.csv").read_bytes()
    (source / f"{kind}.csv").write_bytes(whole.replace(b"V3", b"V\xe9"))
    said = evapfleet(verb, tmp_path / "lake", *(("--out", tmp_path / "out") if verb == "run" else ()))
    assert said.status == 1
    assert f"no file of {kind} can be read (there are 1)" in said.err
    assert "byte 0xE9 in line" in said.err
    assert "Declare the source's encoding" in said.err
    assert not (tmp_path / "out" / "warehouse.duckdb").exists()


def test_check_does_not_accept_a_lake_with_a_file_that_cannot_be_read(
    done: Done, evapfleet: Evapfleet
) -> None:
    """A run goes on without it, so that a check that said nothing would hide the loss: status 1, file and reason."""
    lake, source, _ = done
    (source / "inspections.csv").write_bytes(b"inspection_id\0,")
    said = evapfleet("check", lake)
    assert said.status == 1
    assert "would accept" not in said.out
    assert "1 of 5 files cannot be read" in said.err
    assert "own/inspections.csv: The file is not text: there is a NUL byte in line 1" in said.err


def test_broken_toml_is_wrong_settings(done: Done, evapfleet: Evapfleet) -> None:
    """A source.toml that is not TOML: status 2, the file is named."""
    lake, source, out = done
    (source / "source.toml").write_text("[jobs\n", encoding="utf-8")
    said = evapfleet("run", lake, "--out", out)
    assert said.status == 2
    assert "source.toml" in said.err


def test_check_says_what_a_run_would_refuse_and_writes_nothing(done: Done, evapfleet: Evapfleet) -> None:
    """`check` shows every rule broken, ends as a run would, and leaves no file behind."""
    lake, source, out = done
    before, lake_before = fingerprint(out), fingerprint(lake)
    assert evapfleet("check", lake).status == 0
    assert fingerprint(lake) == lake_before
    (source / "jobs.csv").write_text(JOBS.replace(",", "|"), encoding="utf-8")
    said = evapfleet("check", lake)
    assert said.status == 1
    assert "required" in said.out
    assert fingerprint(out) == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("publish", "nowhere"), "there is no warehouse"),
        (("explain", "nowhere", "R1"), "there is no warehouse"),
        (("run",), "Missing argument"),
        (("fly",), "No such command"),
        (("run", "gs://lake"), "begins with s3://"),
        (("check", "s3://"), "names no bucket"),
        (("run", "{lake}", "--settings", "{lake}/none.toml"), "cannot be read"),
        (("run", "{lake}", "--from", "2024-01-01", "--to", "2023-01-01"), "not before from_on"),
    ],
)
def test_wrong_usage_is_status_2(
    arguments: tuple[str, ...],
    told: str,
    tmp_path: Path,
    evapfleet: Evapfleet,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Wrong usage: status 2 and a sentence, no traceback."""
    monkeypatch.chdir(tmp_path)
    lake = tmp_path / "lake"
    write_small_lake(lake)
    said = evapfleet(*(a.format(lake=lake) for a in arguments))
    assert said.status == 2
    assert told in said.err
    assert "Traceback" not in said.err


def test_explain_names_the_nearest_ids(done: Done, evapfleet: Evapfleet) -> None:
    """A trace id that is not there: status 2 and the ids that come nearest."""
    _, _, out = done
    said = evapfleet("explain", out, "R9")
    assert said.status == 2
    assert "R1" in said.err


def test_unknown_settings_are_all_named_at_once(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Every wrong line of a settings file is told in one message."""
    write_small_lake(tmp_path / "lake")
    (tmp_path / "mine.toml").write_text('follow_up = 90\nlevel = 7\ncycle_gap_days = "x"\n', encoding="utf-8")
    said = evapfleet("run", tmp_path / "lake", "--settings", tmp_path / "mine.toml")
    assert said.status == 2
    for word in ("follow_up is not a setting", "level must be", "cycle_gap_days cannot be"):
        assert word in said.err
