"""`mart.against_evidence`: Wilson's bounds by shop and over all of them."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.contract.tables import AGAINST_EVIDENCE
from pipeline.estimates import against_evidence

COUNTS = {"shop_id": pl.String, "n_told": pl.Int64, "n_against": pl.Int64}


def test_shares_and_bounds_by_shop_and_over_all() -> None:
    """Wilson, 15 of 148: 0.0624 to 0.1605; 0 of 20: 0 to 0.1611 (R. Newcombe, Statistics in Medicine 17, 1998,
    Table I)."""
    shops = pl.DataFrame([("north", 148, 15), ("south", 20, 0)], schema=COUNTS, orient="row")
    table = against_evidence(shops, 0.95)
    assert table.select("by", "group", "n_told", "n_against").rows() == [
        ("all", "all", 168, 15),
        ("shop", "north", 148, 15),
        ("shop", "south", 20, 0),
    ]
    bounds = table.select("share_against", "low", "high").rows()
    assert bounds[1] == pytest.approx((15 / 148, 0.0624, 0.1605), abs=5e-5)
    assert bounds[2] == pytest.approx((0, 0, 0.1611), abs=5e-5)


def test_without_a_recording_that_tells_there_are_no_rows() -> None:
    table = against_evidence(pl.DataFrame(schema=COUNTS), 0.95)
    assert table.columns == list(AGAINST_EVIDENCE.column_names)
    assert table.is_empty()
