"""A shop that hides within limits which another bad one widens is named all the same."""

from __future__ import annotations

import polars as pl

from reports.pages import shops, start
from tests.unit.reports.page_reading import section


def test_a_bad_shop_that_hides_behind_another_is_named_with_what_hides_it(tables):
    """Within the limits, since another bad shop widens them; chance and mix alone do not explain it."""
    fixes = tables["mart.first_time_fix"]
    name = fixes.filter(by="shop", funnel="inside")["group"].sort()[0]
    is_it = (pl.col("by") == "shop") & (pl.col("group") == name)
    said = {
        "comeback_ratio": 1.63,
        "comeback_ratio_low": 1.31,
        "comeback_ratio_high": 2.02,
        "q_value": 1.1e-4,
    }
    apart = fixes.with_columns(
        *(
            pl.when(is_it).then(value).otherwise(pl.col(column)).alias(column)
            for column, value in said.items()
        ),
        funnel_widened=pl.when(is_it).then(2.7),
        comes_back_more=is_it,
    )
    given = tables | {"mart.first_time_fix": apart}
    funnel = section(shops, given, "funnel")
    text = next(f.text for f in funnel.findings if f.text.startswith(f"{name}: "))
    assert (
        "1.63 times as many as all other repairs with the same mix (95% interval 1.31 to 2.02; q 0.00011)"
        in text
    )
    assert "makes limits 2.70 times as wide" in text
    assert "But 1 shop has more comebacks than chance and the mix explain" in funnel.answer[0]
    assert any(f"Shop {name}: " in f.text for f in section(start, given, "stands-out").findings)
