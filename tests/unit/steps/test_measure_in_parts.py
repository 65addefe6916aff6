"""Batches hold every recording once, and rows come out by recording whatever the batches were."""

import pickle
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.errors import OurFault
from pipeline.settings import Settings
from pipeline.steps import batches as b
from pipeline.steps import measure as m
from pipeline.steps.kept_samples import held_by
from pipeline.steps.stage import STAGE_COLUMNS
from pipeline.traces.measure import take
from pipeline.traces.model_norms import model_norms
from pipeline.traces.recordings import FLOW_COLUMN, gather
from pipeline.traces.sources import sources_of
from pipeline.warehouse.store import open_warehouse
from tests.unit.traces.drawing import HEADER, whole_test
from tests.unit.traces.test_steady_flow import fed

#: Recordings of each file, with the number of samples: r3 lies in two of them.
FILES = {"a": {"r1": 3, "r3": 2}, "b": {"r2": 4}, "c": {"r3": 5, "r5": 1}, "d": {"r4": 2}}
HEADERS = pl.DataFrame({"trace_id": ["r1", "r2", "r3", "r4", "r5", "r6"]})


def held(fed: str) -> pl.DataFrame:
    """What the stage holds of FILES; samples of the even ones among each recording's came from another file."""
    parts = []
    for name, recordings in FILES.items():
        ids = [trace_id for trace_id, n in recordings.items() for _ in range(n)]
        kept = pl.DataFrame({"trace_id": ids}).with_columns(
            file=pl.when(pl.int_range(pl.len()) % 2 == 0).then(pl.lit("x")).otherwise(pl.lit("y")),
            **{FLOW_COLUMN: pl.Series([1.5 if name == fed else None] * len(ids), dtype=pl.Float64)},
        )
        parts.append(held_by(kept, f"{name}.parquet"))
    return pl.concat(parts)


def test_batches_hold_every_recording_once_and_bring_a_shared_one_together(tmp_path, monkeypatch):
    monkeypatch.setattr(b, "BATCH_SAMPLES", 3)
    with open_warehouse(tmp_path / "w.duckdb", read_only=False) as warehouse:
        warehouse.create("stage.sample_parquet", STAGE_COLUMNS["stage.sample_parquet"])
        warehouse.append("stage.sample_parquet", held(fed="d"))
        found = list(b.batches(warehouse, tmp_path, HEADERS))
    told = [
        (
            [path.stem for path in each.files],
            *each.headers.select("trace_id", "n").iter_rows(),
            each.is_scattered,
        )
        for each in found
    ]
    assert told == [
        (["b"], ("r2", 4), False),
        (["d"], ("r4", 2), False),
        (["a", "c"], ("r1", 3), ("r3", 7), ("r5", 1), True),
        ([], ("r6", 0), False),
    ]
    assert [each.headers["is_fed"].any() for each in found] == [False, True, False, False]


def test_rows_come_by_recording_in_parts_as_soon_as_none_can_come_before(monkeypatch):
    monkeypatch.setattr(m, "PART_ROWS", 2)
    asked = []

    def results():
        for ids in (["r4", "r1", "r9"], ["r7", "r2", "r3"], ["r5", "r6"], ["r8"]):
            asked.append(ids[0])
            yield pl.DataFrame({"trace_id": ids})

    parts = m._in_order(results(), ["r1", "r2", "r5", "r8"])
    assert next(parts)["trace_id"].to_list() == ["r1", "r2"]
    assert asked == ["r4", "r7"]
    assert [part["trace_id"].to_list() for part in parts] == [
        ["r3", "r4"],
        ["r5", "r6"],
        ["r7", "r8"],
        ["r9"],
    ]
    assert list(m._in_order([], [])) == []


def test_a_samples_file_of_another_length_than_was_staged_is_not_measured(tmp_path):
    whole_test().samples().write_parquet(tmp_path / "a.parquet")
    n = whole_test().samples().height
    header = HEADER | {"n": n + 1, "is_fed": False, "parquet": "a.parquet"}
    batch = b.Batch([tmp_path / "a.parquet"], pl.DataFrame([header], infer_schema_length=None))
    with pytest.raises(OurFault, match=f"hold {n} samples where {n + 1} were written"):
        m._read_whole(batch, ["t_s", "tank_pressure_pa"])
    assert m._read_whole(replace(batch, headers=batch.headers.with_columns(n=n)), ["t_s"]).height == n


def test_batches_are_judged_together_until_there_are_enough():
    kept = [("a", 3, Path("1")), ("b", m.JUDGED_AT_ONCE - 3, Path("0")), ("c", 9, Path("2"))]
    assert m._groups(kept) == [("a", [Path("1"), Path("0")]), ("c", [Path("2")])]
    assert m._groups([]) == []


def test_what_is_found_out_of_the_first_recordings_is_kept_in_memory_and_of_all_others_on_disk(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(m, "KEPT_IN_MEMORY", 4)
    todo = [b.Batch([], HEADERS[:n]) for n in (3, 1, 2, 1)]
    places = [place for _, place in m._with_places(todo, tmp_path)]
    assert places[:2] == [None, None]
    assert len({place.parent for place in places[2:]}) == 1
    assert len(set(places[2:])) == 2


def test_batches_judged_together_give_what_each_gives_alone(tmp_path):
    """One of them holds a recording that gas was fed into; one was kept in memory, the others on disk."""
    tests = {"1": whole_test(hole_mm=0.8).samples(), "2": fed(0.5), "3": whole_test().samples()}
    settings, kept, told = Settings(), [], []
    for name, samples in tests.items():
        headers = pl.DataFrame([HEADER | {"trace_id": name}], infer_schema_length=None)
        samples = samples.with_columns(trace_id=pl.lit(name))
        taken = take(gather(samples, headers["trace_id"]), headers, settings)
        kept.append(tmp_path / name if name != "1" else taken)
        if name != "1":
            kept[-1].write_bytes(pickle.dumps(taken))
        told.append(taken.for_norms())
    norms, sources = model_norms(pl.concat(told)), sources_of(pl.concat(told))
    alone = [m._judge([part], norms, sources, settings) for part in kept]
    assert [rows["verdict"][0] for rows in alone] == ["leak", "leak", "holds"]
    assert [rows["steady_flow_std_l_min"].count() for rows in alone] == [0, 1, 0]
    assert_frame_equal(
        m._judge(kept, norms, sources, settings).sort("trace_id"), pl.concat(alone), rel_tol=1e-9
    )
