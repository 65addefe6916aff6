"""From which model year on a model's sensors are of another kind; all invented."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.traces.agreement import Reach, voiced
from pipeline.traces.generations import YEARS, generations, in_generation, nearest_generation

REACHES = {"slope": Reach(0.03, 0.3, is_relative=True), "rest": Reach(0.1, 0.3, is_relative=False)}
MODEL = {"make": "Kestin", "model": "210"}


def told(*vehicles: tuple[int | None, float | None, float | None]) -> pl.DataFrame:
    """One recording of each vehicle: model year, slope, rest."""
    schema = {"make": pl.String, "model": pl.String, "model_year": pl.Int64, "vehicle_id": pl.String}
    rows = [
        MODEL | {"model_year": year, "vehicle_id": f"v{k}", "slope": slope, "rest": rest}
        for k, (year, slope, rest) in enumerate(vehicles)
    ]
    return pl.DataFrame(rows, schema=schema | {"slope": pl.Float64, "rest": pl.Float64})


def years_of(said: pl.DataFrame) -> list[tuple[int, int]]:
    return generations(voiced(said), REACHES).select("from_model_year", "to_model_year").rows()


OLD = [(2010 + k, 8e-4, 2.5) for k in range(6)]


@pytest.mark.parametrize("other", [(5e-4, 2.5), (8e-4, 3.1), (5e-4, 3.1)])
def test_later_years_that_agree_on_another_slope_or_level_are_another_generation(other):
    assert years_of(told(*OLD, *[(2016 + k, *other) for k in range(4)])) == [(2010, 2015), (2016, 2019)]


def test_the_earlier_ones_may_be_the_fewer_and_there_may_be_three():
    few = told(*OLD[:2], *[(2013 + k, 5e-4, 2.5) for k in range(5)])
    assert years_of(few) == [(2010, 2012), (2013, 2017)]
    three = told(*OLD, *[(2016, 5e-4, 2.5)] * 3, *[(2020, 5e-4, 3.1)] * 3)
    assert years_of(three) == [(2010, 2015), (2016, 2019), (2020, 2020)]


def test_odd_sensors_of_any_year_are_no_generation():
    assert years_of(told(*OLD, (2011, 5e-4, 2.5), (2014, 5e-4, 2.5), (2015, 5e-4, 2.5))) == []
    # Nor are those that agree with nobody, or a single one of the latest year.
    assert years_of(told(*OLD, (2016, 5e-4, 2.5), (2017, 6e-4, 2.5))) == []
    assert years_of(told(*OLD, (2016, 5e-4, 2.5))) == []


def test_a_vehicle_that_is_tested_again_and_again_is_no_generation():
    again = told(*OLD, (2016, 5e-4, 2.5), (2016, 5e-4, 2.5)).with_columns(
        vehicle_id=pl.when(pl.col("model_year") == 2016).then(pl.lit("one")).otherwise("vehicle_id")
    )
    assert years_of(again) == []


def test_a_change_within_a_year_is_laid_where_most_are_right():
    mixed = told(*OLD, (2016, 8e-4, 2.5), (2016, 5e-4, 2.5), *[(2017 + k, 5e-4, 2.5) for k in range(4)])
    assert years_of(mixed) in ([(2010, 2015), (2016, 2020)], [(2010, 2016), (2017, 2020)])


def test_years_and_numbers_that_are_not_known_tell_nothing():
    assert years_of(told(*[(None, 8e-4, 2.5)] * 4, *[(None, 5e-4, 2.5)] * 4)) == []
    assert years_of(told(*[(2010, None, 2.5)] * 4, *[(2015, None, 2.5)] * 4)) == []
    assert years_of(told()) == []


def test_rows_get_the_years_of_their_generation_and_those_without_a_year_none():
    found = generations(voiced(told(*OLD, *[(2016, 5e-4, 2.5)] * 3)), REACHES)
    rows = told((2011, None, 0), (None, None, 0), (2016, None, 0), (2012, None, 0))
    rows = pl.concat([rows, rows.head(1).with_columns(model=pl.lit("other"))])
    years = in_generation(rows, found)
    assert years["vehicle_id"].to_list() == rows["vehicle_id"].to_list()
    assert years["from_model_year"].to_list() == [2010, None, 2016, 2010, None]
    assert years["to_model_year"].to_list() == [2015, None, 2016, 2015, None]


def test_at_a_change_a_recording_is_held_against_the_kind_that_its_own_sensor_is_nearer_to():
    kinds = [(2010, 2015, 8e-4, 2.5), (2016, 2019, 5e-4, 2.5)]
    norms = pl.DataFrame(
        [MODEL | dict(zip((*YEARS, "volts_per_pa", "rest_v"), kind, strict=True)) for kind in kinds]
    )
    vehicles = [
        (2016, 7.9e-4, 2.5),  # the new year's, with the old kind
        (2015, 5.1e-4, 2.5),  # the old year's, with the new kind
        (2013, 5.1e-4, 2.5),  # far from the change: an odd one of its own kind
        (2016, 5.6e-4, None),
        (2016, None, None),
        (None, 8e-4, 2.5),
    ]
    rows = told(*((year, slope, rest) for year, slope, rest in vehicles))
    rows = rows.rename({"slope": "volts_per_pa", "rest": "rest_v"})
    first = nearest_generation(rows, norms)["from_model_year"].to_list()
    assert first == [2010, 2016, 2010, 2016, 2016, None]
