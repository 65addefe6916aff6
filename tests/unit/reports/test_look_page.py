"""The page on where to look first says what mart.first_look holds, and what it does not hold itself."""

from __future__ import annotations

import polars as pl

from reports import words
from reports.pages import look
from tests.unit.reports.page_reading import section, table_of


def test_the_places_stand_in_the_order_of_the_table(pages, tables):
    looks = tables["mart.first_look"]
    drawn = pages["look.html"].specs["first-spec"]["datasets"]["rows"]
    chosen = looks.filter(make="Vantry", model="Tarn", trouble_code="P0455").sort("rank")
    dots = sorted((r for r in drawn if r["key"] == "Vantry Tarn P0455"), key=lambda r: r["order"])
    assert [(d["value"], d["low"], d["high"]) for d in dots] == chosen.select(
        "probability", "low", "high"
    ).rows()
    assert dots[0]["count_text"] == f"{chosen['n_found'][0]} of {words.plural(chosen['n_jobs'][0], 'repair')}"
    lines = table_of(pages["look.html"], "First three places")[1:]
    assert len(lines) == looks.filter(rank=1).height
    line = next(r for r in lines if r[:2] == ["Vantry Tarn", "P0455"])
    first = chosen.row(0, named=True)
    bounds = words.interval(first["low"], first["high"], words.share)
    assert line[2] == f"{words.label(first['component'])} {words.share(first['probability'])} {bounds}"
    assert line[5] == f"{first['expected_minutes']:.0f}"


def test_every_model_and_code_can_be_chosen_and_pairs_are_counted_without_any_code_or_none(tables):
    looks = tables["mart.first_look"]
    pair = looks.row(-1, named=True)
    many = pl.concat(
        [
            looks,
            *(pl.DataFrame([pair | {"trouble_code": f"X{i:03d}"}], schema=looks.schema) for i in range(300)),
        ]
    )
    every = tables | {"mart.first_look": many}
    offered = {key for key, _ in section(look, every, "first").choices[0].options}
    assert offered == {f"{r['make']} {r['model']} {r['trouble_code']}" for r in many.to_dicts()}
    models = looks.filter(pl.col("model") != "*")
    n_models = models.select("make", "model").n_unique()
    n_pairs = models.filter(pl.col("trouble_code") != "*").select("make", "model", "trouble_code").n_unique()
    said = section(look, every, "lines").answer[0]
    assert said.startswith(f"{n_pairs + 300} pairs of a model and a code")
    assert said.endswith(f"; {n_models} models over any code or none.")


def test_models_and_codes_that_the_page_does_not_hold_are_said_to_be_elsewhere(tables, monkeypatch):
    assert not any("To choose" in text for text in section(look, tables, "first").answer)
    monkeypatch.setattr(look, "MAX_GROUPS", 5)
    n = tables["mart.first_look"].filter(rank=1).height
    told = section(look, tables, "first").answer[-1]
    assert told.startswith(f"To choose: the 5 of {n} models and codes with the most repairs")
    assert section(look, tables, "lines").grids[0].n_all == n


def test_places_that_are_hardly_likely_are_said_to_be_passed_over(tables):
    """Order 1, 2, 4 is no slip: the third place is too unlikely to draw."""
    caption = section(look, tables, "first").picture.caption
    assert "A number that is passed over is a place with a chance under" in caption
    assert f"under {words.share(look.LEAST_SHOWN)}" in caption


def test_without_a_find_the_page_says_so(tables):
    found = section(look, tables | {"mart.first_look": tables["mart.first_look"].clear()}, "first")
    assert found.answer == ("Not known: no repair found a fault.",)
    assert found.picture is None
