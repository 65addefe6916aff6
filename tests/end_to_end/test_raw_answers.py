"""A recording kept as raw SAE J1979 answers tells its own fuel level, which the measurement then uses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.settings import Settings
from pipeline.steps.road import whole_road
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.small_lake import TRACES, samples, write_small_lake


def _answers(pressure_pa: float, purge_pct: float) -> tuple[str, str, str]:
    """Write the answers to PIDs 32, 2E and 2F: two's complement quarter pascals, and 255ths."""
    quarter = round(pressure_pa * 4) & 0xFFFF
    fuel = round(25 * 255 / 100)
    pressure = f"32 {quarter >> 8:02X} {quarter & 255:02X}"
    return pressure, f"2E {round(purge_pct * 255 / 100):02X}", f"2F {fuel:02X}"


def _together(frame: pl.DataFrame, answers: list[tuple[str, str, str]]) -> pl.DataFrame:
    """All answers of a moment in one row."""
    return frame.with_columns(obd_hex=pl.Series(["41 " + " ".join(each) for each in answers]))


def _by_turns(frame: pl.DataFrame, answers: list[tuple[str, str, str]]) -> pl.DataFrame:
    """One answer a row, as a poller writes them: pressure, purge, and the fuel level now and then."""
    asked = [
        [pressure, purge, *([fuel] * (k % 30 == 0))] for k, (pressure, purge, fuel) in enumerate(answers)
    ]
    rows = frame.with_columns(
        obd_hex=pl.Series(asked), later=pl.Series([[0.0, 0.01, 0.02][: len(a)] for a in asked])
    )
    rows = rows.explode("obd_hex", "later")
    return rows.with_columns(pl.col("t_s") + pl.col("later"), obd_hex="41 " + pl.col("obd_hex")).drop("later")


def _run_with_answers(tmp_path: Path, written: Callable[..., pl.DataFrame]) -> dict[str, object]:
    source = write_small_lake(tmp_path / "lake")
    lines = TRACES.splitlines()
    no_level = [lines[0], *(line.replace("Z,50,", "Z,,") for line in lines[1:])]
    (source / "traces.csv").write_text("\n".join(no_level) + "\n", encoding="utf-8")
    frame = samples()
    answers = [_answers(p, d) for p, d in frame.select("tank_pressure_pa", "purge_duty_pct").iter_rows()]
    raw = written(frame.drop("tank_pressure_pa", "purge_duty_pct"), answers)
    (source / "samples.parquet").unlink()
    raw.write_ndjson(source / "samples.jsonl")
    whole_road(tmp_path / "lake", tmp_path / "out", Settings(), lambda line: None)
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        assert warehouse.table("core.samples").height == 360
        results = warehouse.table("mart.trace_result")
    return results.filter(pl.col("trace_id") == "R1").row(0, named=True)


@pytest.mark.parametrize("written", [_together, _by_turns])
def test_the_fuel_level_of_the_answers_gives_the_vapor_volume(tmp_path: Path, written) -> None:
    """Tank of 60 l, a quarter full by PID 2F (40 hex, 25.1 %): at least the 45 l of ullage are vapor space."""
    result = _run_with_answers(tmp_path, written)
    assert result["vapor_volume_l"] == pytest.approx(60 * (1 - 64 / 255) + 3, abs=6)
    assert result["verdict"] in ("leak", "gross_leak")
