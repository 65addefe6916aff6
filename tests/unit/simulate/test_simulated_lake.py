"""The lake as files: formats, dirt, truth, sizes, and the committed sample."""

from __future__ import annotations

import gzip
import io
import json
import tomllib
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest

from pipeline.contract.rules import RULE_MEANINGS
from pipeline.errors import WrongUsage
from pipeline.simulate import lake as lake_module
from pipeline.simulate.dirt import DUPLICATE
from pipeline.simulate.lake import simulate_lake
from pipeline.standards.vin import is_valid_vin

SAMPLE = Path(__file__).parents[3] / "sample_lake"
SAMPLE_VEHICLES, SAMPLE_SEED = 2000, 1


def files(lake: Path) -> list[str]:
    return sorted(str(p.relative_to(lake)) for p in lake.rglob("*") if p.is_file())


def content(path: Path):
    """What a file says, whatever the compressor's version: text, or a frame for Parquet."""
    data = path.read_bytes()
    if path.suffix == ".parquet":
        return pl.read_parquet(io.BytesIO(data)).rows()
    if path.suffix == ".gz":
        return gzip.decompress(data)
    if path.suffix == ".zst":
        return pa.CompressedInputStream(io.BytesIO(data), "zstd").read()
    return data


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    lake = tmp_path_factory.mktemp("made") / "lake"
    simulate_lake(lake, SAMPLE_VEHICLES, SAMPLE_SEED)
    return lake


def test_the_committed_sample_lake_is_what_simulate_makes_today(made):
    assert files(SAMPLE) == files(made)
    assert [f for f in files(made) if content(SAMPLE / f) != content(made / f)] == []


def test_the_committed_sample_lake_is_small():
    assert sum((SAMPLE / f).stat().st_size for f in files(SAMPLE)) < 5_000_000


def test_same_seed_same_bytes_other_seed_other_bytes(tmp_path):
    for name, seed in (("a", 4), ("b", 4), ("c", 5)):
        simulate_lake(tmp_path / name, 80, seed)
    read = {n: {f: (tmp_path / n / f).read_bytes() for f in files(tmp_path / n)} for n in "abc"}
    assert read["a"] == read["b"]
    assert read["a"] != read["c"]


def test_every_format_of_the_contract_occurs(made):
    endings = {
        "".join(Path(f).suffixes[-2:]) if f.endswith((".gz", ".zst")) else Path(f).suffix for f in files(made)
    }
    assert {".csv", ".csv.gz", ".csv.zst", ".jsonl", ".jsonl.gz", ".parquet"} <= endings


def test_source_tomls_are_toml_and_name_real_columns(made):
    form = tomllib.loads((made / "brightwell_shops" / "source.toml").read_text())
    header = (made / "brightwell_shops" / "orders_2024.csv").read_text("cp1252").splitlines()[0].split(";")
    assert set(form["jobs"]["columns"].values()) == set(header)
    form = tomllib.loads((made / "ferrow_inspections" / "source.toml").read_text())
    text = gzip.decompress((made / "ferrow_inspections" / "inspections_2024.csv.gz").read_bytes()).decode()
    assert set(form["inspections"]["columns"].values()) == set(text.splitlines()[0].split("|"))


def test_each_rule_is_broken_at_least_once_and_every_kind_is_dirty(made):
    dirty = pl.read_csv(made / ".truth" / "dirty.csv")
    assert set(dirty["rule"]) == set(RULE_MEANINGS) | {DUPLICATE}
    assert set(dirty["kind"]) == {"vehicles", "jobs", "traces", "samples", "inspections"}


def test_the_dirt_is_really_in_the_files(made):
    dirty = pl.read_csv(made / ".truth" / "dirty.csv").filter(pl.col("kind").is_in(["vehicles", "jobs"]))
    everything = b"".join(
        (made / f).read_bytes() for f in files(made) if f.endswith((".csv", ".jsonl")) and ".truth" not in f
    ).decode("cp1252", errors="replace")
    assert [r for r in dirty["record"] if r not in everything] == []
    wrong = dirty.filter(pl.col("rule") == "vin_check_digit")["value"]
    assert len(wrong) == 2
    assert not any(is_valid_vin(v) for v in wrong)


def test_a_dirty_sample_lies_in_a_real_recording_unless_that_is_its_flaw(made):
    dirty = pl.read_csv(made / ".truth" / "dirty.csv").filter(pl.col("kind") == "samples")
    known = pl.read_csv(made / ".truth" / "traces.csv")["trace_id"]
    named = dirty.filter(pl.col("rule") != "reference")["record"].str.split("_").list.first()
    assert len(named) > 10
    assert named.is_in(known.implode()).all()


def test_without_dirt_nothing_is_logged_and_every_json_line_reads(tmp_path):
    simulate_lake(tmp_path / "clean", 300, 2, dirty=False, trace_share=0.0)
    assert pl.read_csv(tmp_path / "clean" / ".truth" / "dirty.csv").is_empty()
    lines = (tmp_path / "clean" / "roadside_unit" / "jobs.jsonl").read_text().splitlines()
    assert all(json.loads(line)["vehicle_id"].startswith("V0") for line in lines)


def test_hostile_notes_are_there_as_data(made):
    text = (made / "fleet_office" / "jobs.csv").read_text() + (
        made / "roadside_unit" / "jobs.jsonl"
    ).read_text()
    text += "".join(p.read_text("cp1252") for p in (made / "brightwell_shops").glob("orders_*.csv"))
    assert "<script>alert(1)</script>" in text
    assert "DROP TABLE" in text


def test_readme_says_the_effects_with_their_names(made):
    text = (made / "README.md").read_text()
    assert all(word in text for word in ("Fennick 30", "vent_valve", "BW03", "ST17"))
    effects = pl.read_csv(made / ".truth" / "effects.csv")
    assert effects["effect"].to_list() == ["recurring_component", "returning_shop", "odd_station"]


def test_a_large_lake_is_written_chunk_by_chunk_in_our_names(tmp_path, monkeypatch):
    monkeypatch.setattr(lake_module, "CHUNK", 40)
    monkeypatch.setattr(lake_module, "LARGEST_VARIED", 60)
    seen = []
    simulate_lake(tmp_path / "big", 70, 3, trace_share=1.0, progress=lambda done, n: seen.append((done, n)))
    assert seen == [(40, 70), (70, 70)]
    read = pl.read_parquet(tmp_path / "big" / "*" / "vehicles_*.parquet")
    assert read["vehicle_id"].n_unique() == read.height == 70
    samples = pl.read_parquet(tmp_path / "big" / "*" / "samples_*.parquet")
    truth = pl.read_parquet(tmp_path / "big" / ".truth" / "traces_*.parquet")
    assert set(samples["trace_id"]) == set(truth["trace_id"])


def test_a_lake_of_one_vehicle_can_be_made(tmp_path):
    simulate_lake(tmp_path / "one", 1, 0)
    assert (tmp_path / "one" / "fleet_office" / "vehicles.csv").read_text().count("V00001") == 1


@pytest.mark.parametrize(("n", "seed", "share"), [(0, 1, 0.1), (5, -1, 0.1), (5, 1, 1.5)])
def test_impossible_arguments_are_refused_with_the_way_out(tmp_path, n, seed, share):
    with pytest.raises(WrongUsage, match="Give at least 1 vehicle"):
        simulate_lake(tmp_path / "x", n, seed, trace_share=share)
    assert not (tmp_path / "x").exists()


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("precious")
    with pytest.raises(WrongUsage, match="nothing was overwritten"):
        simulate_lake(tmp_path, 5, 1)
    assert files(tmp_path) == ["mine.txt"]
