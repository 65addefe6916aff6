"""The sample lake: exactly the records that it says are unreadable are misread."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import polars as pl

from pipeline.lake.find import take_stock
from pipeline.lake.read_records import read_records
from pipeline.lake.read_samples import read_samples
from pipeline.lake.recordings import headers_from_recordings

SAMPLE_LAKE = Path(__file__).parents[3] / "sample_lake"
READERS_RULES = ("type", "shape", "obd_bytes")


def test_what_is_misread_in_the_sample_lake_is_what_its_truth_lists():
    stock = take_stock(SAMPLE_LAKE)
    assert stock.unclaimed == []
    readings = [read_records(f, stock.forms[f.source_id]) for f in stock.files if f.kind != "samples"]
    for source_id, form in stock.forms.items():
        samples = [f for f in stock.files if f.source_id == source_id and f.kind == "samples"]
        readings.append(headers_from_recordings(samples, form))
        readings += read_samples(samples, form, pl.DataFrame(schema={"trace_id": pl.String}))
    found = pl.concat([r.misread for r in readings]).with_columns(
        source=pl.col("file").str.split("/").list.first()
    )
    with (SAMPLE_LAKE / ".truth" / "dirty.csv").open(encoding="utf-8", newline="") as stream:
        told = [row for row in csv.DictReader(stream) if row["rule"] in READERS_RULES]
    assert len(told) > 10
    assert Counter(found.select("source", "rule").iter_rows()) == Counter(
        (t["source_id"], t["rule"]) for t in told
    )
    assert [r.hints for r in readings if r.hints] == []
