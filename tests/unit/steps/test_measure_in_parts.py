"""Batches hold every recording once, and rows come out by recording whatever the batches were."""

import polars as pl

from pipeline.steps import batches as b
from pipeline.steps import measure as m
from pipeline.steps.samples import held_by
from pipeline.steps.stage import STAGE_COLUMNS
from pipeline.traces.recordings import FLOW_COLUMN
from pipeline.warehouse.store import open_warehouse

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
