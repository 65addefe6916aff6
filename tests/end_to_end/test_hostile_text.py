"""Text that means harm, or only trouble, stays text: in tables, on the terminal, in file names."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path

import polars as pl

from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.conftest import Evapfleet
from tests.end_to_end.small_lake import samples, write_small_lake

WORDS = (
    "<script>alert(1)</script>",
    "'; drop table core.jobs; --",
    "$(touch pwned)",
    "\u202eright to left",
    "\x1b[31mred\x07",
    "../../up/and/away",
    "x" * 3000,
    "=1+1",
    "null",
    "007",
)


def _lines(records: list[dict[str, object]]) -> str:
    return "\n".join(json.dumps(record) for record in records)


def _write(lake: Path) -> Path:
    """Write a lake whose every word is one of `WORDS`, and one refused job for each."""
    folder = lake / "shop <b>"
    folder.mkdir(parents=True)
    day, time = "2020-01-01", "2022-01-01T08:00:00Z"
    vehicles = [
        {"vehicle_id": w, "make": w, "model": w, "model_year": 2015, "in_service_on": day, "vehicle_type": w}
        for w in WORDS
    ]
    job = {"opened_at": time, "closed_at": "2022-01-02T08:00:00Z", "action": "replaced"}
    jobs = [
        job | {"job_id": i + w, "shop_id": w, "technician_id": w, "vehicle_id": w, "component": c, "note": w}
        for w in WORDS
        for i, c in (("", "purge_valve"), ("bad ", w))
    ]
    traces = [
        {"trace_id": w, "job_id": w, "stage": "before_repair", "recorded_at": time, "fuel_level_pct": 50}
        for w in WORDS
    ]
    for kind, records in (("vehicles", vehicles), ("jobs", jobs), ("traces", traces)):
        (folder / f"{kind}.jsonl").write_text(_lines(records), encoding="utf-8")
    one = samples().filter(pl.col("trace_id") == "R1").head(60).drop("trace_id")
    pl.concat([one.with_columns(trace_id=pl.lit(w)) for w in WORDS]).write_parquet(folder / "samples.parquet")
    return folder


def _is_plain(text: str) -> bool:
    return all(c == "\n" or unicodedata.category(c) not in ("Cc", "Cf") for c in text)


def test_hostile_words_are_words(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Every id comes out as it went in; nothing reaches the terminal that could steer it; a trace is
    explained under a file name of its own, however long or odd its id."""
    _write(tmp_path / "lake")
    out = tmp_path / "out"
    said = evapfleet("run", tmp_path / "lake", "--out", out)
    assert said.status == 0, said.err
    with open_warehouse(out / "warehouse.duckdb") as warehouse:
        assert set(warehouse.table("core.jobs")["note"]) == set(WORDS)
        assert set(warehouse.table("mart.trace_result")["trace_id"]) == set(WORDS)
        assert warehouse.table("quarantine.records").height == len(WORDS)
    exact = pl.read_parquet(out / "tables" / "trace_result.parquet")
    assert set(exact["trace_id"]) == set(WORDS)
    told = pl.read_csv(out / "tables" / "trace_result.csv", infer_schema=False)
    assert set(told["trace_id"]) == (set(WORDS) - {"=1+1"}) | {"'=1+1"}
    said = evapfleet("check", tmp_path / "lake")
    assert said.status == 0
    assert _is_plain(said.out + said.err)
    for word in WORDS[3:7]:
        said = evapfleet("explain", out, "--", word)
        assert said.status == 0, said.err
        assert _is_plain(said.out)
    assert len(list((out / "explained").iterdir())) == 4
    assert not list(tmp_path.rglob("pwned"))


def test_a_file_name_that_is_no_text_is_reported(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """Names in another encoding are left out with a reason, and do not stop the others."""
    source = write_small_lake(tmp_path / "lake")
    for folder in (source, tmp_path / "lake"):
        Path(os.fsdecode(os.fsencode(folder) + b"/jobs_\xe9.csv")).write_text("job_id\n1\n", encoding="utf-8")
    said = evapfleet("check", tmp_path / "lake")
    assert said.status == 0, said.err
    assert "own/jobs_\\xe9.csv: its name is not UTF-8" in said.err
    assert "note: jobs_\\xe9.csv: its name is not UTF-8" in said.err


def test_settings_that_are_endless_are_refused(tmp_path: Path, evapfleet: Evapfleet) -> None:
    """`inf` is a TOML number, and no number of days."""
    (tmp_path / "lake").mkdir()
    (tmp_path / "mine.toml").write_text("\ufefffollow_up_days = inf\n", encoding="utf-8")
    said = evapfleet("run", tmp_path / "lake", "--settings", tmp_path / "mine.toml")
    assert said.status == 2
    assert "follow_up_days cannot be inf" in said.err
