"""The rows of mart.trace_result: numbers, the sentence and the suspects of a measured batch."""

from __future__ import annotations

from itertools import count, repeat
from operator import attrgetter
from typing import Any

import numpy as np
import polars as pl

from pipeline.contract.tables import TRACE_RESULT
from pipeline.settings import Settings
from pipeline.traces.evidence import say
from pipeline.traces.steady_rows import with_steady_flows
from pipeline.traces.suspects import OPENINGS, name_suspects
from pipeline.traces.taken import Measured

_TYPES: dict[str, pl.DataType | type[pl.DataType]] = {
    "VARCHAR": pl.String,
    "DOUBLE": pl.Float64,
    "BIGINT": pl.Int64,
    "VARCHAR[]": pl.List(pl.String),
}
RESULT_SCHEMA = {column.name: _TYPES[column.type] for column in TRACE_RESULT.columns}

#: Names of readings in the sentences of `evidence`, and where `Shown` has them.
_READINGS_SAID = {
    "depth": "draw.depth",
    "draw_s": "draw.seconds",
    "hold_s": "hold.seconds",
    "hold_start_above": "hold.start_above",
    "hold_end_above": "hold.end_above",
    "gone_s": "hold.gone_s",
    "interval_s": "sensor.interval_s",
    "creep": "draw.creep",
    "closed_change": "closed.change",
    "closed_rate": "closed.rate",
    "closed_above": "closed.above",
    "hold_late_change": "hold.late_change",
    "hold_change": "hold.change",
    "flowing_above": "vented.flowing_above",
    "release_from_above": "release.from_above",
    "release_half_s": "release.half_s",
    "open_vacuum": "vented.open_vacuum",
    "moved": "vented.moved",
    "rest_s": "vented.rest_s",
    "release_s": "release.seconds",
    "span": "sensor.span",
    "zero": "vented.zero",
    "rest_v": "vented.rest_v",
}


def rows_of(measured: Measured, settings: Settings) -> pl.DataFrame:
    """Return the contract's rows of a measured batch."""
    m, shown, sizes, headers = measured, measured.shown, measured.sizes, measured.headers
    verdict = m.judgement.verdict
    volume = sizes.volume
    is_leak, is_tight, is_gross = (verdict == word for word in ("leak", "holds", "gross_leak"))
    # Without a test, or without samples, no story was weighed.
    is_weighed = (verdict != "not_judged") | np.isin(m.judgement.reason, ("torn", "cannot_tell"))
    has_size = is_leak | is_tight
    per_area = np.where(has_size, 1e6 / settings.discharge_coefficient, np.nan)
    hole = m.equilibrium
    at_least = m.at_least_mm
    low = np.where(is_leak, sizes.low, np.where(is_tight, 0.0, np.nan))
    numbers = {
        "leak_diameter_mm": np.where(is_leak, sizes.diameter, np.nan),
        "leak_diameter_low_mm": np.where(is_gross, at_least, np.where(volume.is_tank_known, low, np.nan)),
        "leak_diameter_high_mm": np.where(has_size, sizes.high, np.nan),
        "equilibrium_diameter_mm": np.where(is_gross, hole.diameter, np.nan),
        "equilibrium_diameter_low_mm": np.where(is_gross, hole.low, np.nan),
        "equilibrium_diameter_high_mm": np.where(is_gross, hole.high, np.nan),
        "discharge_at_hold": np.where(
            has_size, settings.discharge_coefficient * m.fit.discharge_share, np.nan
        ),
        "leak_area_per_volume_mm2_m3": sizes.leak * per_area,
        "leak_area_per_volume_low_mm2_m3": sizes.leak_low * per_area,
        "leak_area_per_volume_high_mm2_m3": sizes.leak_high * per_area,
        "vapor_volume_l": volume.known_l,
        "vapor_rise_pa_s": shown.closed.rate,
        "rest_pressure_pa": shown.vented.rest,
        "rest_sensor_v": shown.vented.rest_v,
        "peak_vacuum_pa": shown.sensor.peak_vacuum,
        "draw_rate_pa_s": shown.draw.rate,
        "hold_s": m.marks.longest_hold,
        "quality": m.judgement.quality,
        "confidence": np.where(verdict == "not_judged", np.nan, m.judgement.told.confidence),
        "second_confidence": np.where(is_weighed, m.judgement.told.second_confidence, np.nan),
    }
    censoring = np.select(
        [
            is_leak & volume.is_tank_known,
            is_tight & volume.is_tank_known,
            is_gross & np.isfinite(at_least),
        ],
        ["none", "left", "right"],
        "",
    )
    n = headers.height
    frame = (
        pl.DataFrame(numbers)
        .fill_nan(None)
        .with_columns(
            verdict=pl.Series(verdict.astype(str), dtype=pl.String),
            second_verdict=pl.Series(m.judgement.second.tolist(), dtype=pl.String).set(
                pl.Series(~is_weighed), None
            ),
            leak_censoring=pl.Series([word or None for word in censoring.tolist()], dtype=pl.String),
            evidence=pl.Series(_sentences(m, settings), dtype=pl.String),
            suspects=_lists(_suspects(m)),
            pressure_test=pl.Series(m.pressure_test, dtype=pl.String),
            discharge_coefficient=pl.Series([settings.discharge_coefficient] * n, dtype=pl.Float64),
            n_samples=pl.Series(shown.sensor.n, dtype=pl.Int64),
        )
    )
    carried = headers.select("trace_id", "job_id", "vehicle_id", "stage").cast(pl.String)
    frame = with_steady_flows(frame, m.steady, headers, settings)
    return pl.concat([carried, frame], how="horizontal").select(list(RESULT_SCHEMA))


def _sentences(m: Measured, settings: Settings) -> list[str]:
    per_area = 1e6 / settings.discharge_coefficient
    columns = {
        "verdict": m.judgement.verdict,
        "reason": m.judgement.reason,
        "creeps": m.judgement.creeps,
        "is_shut_at_rest": m.judgement.signs.shut_at_rest > 0,
        "second": m.judgement.second,
        "best": m.judgement.best,
        "confidence": m.judgement.told.confidence,
        "second_confidence": m.judgement.told.second_confidence,
        "n_samples": m.shown.sensor.n,
        "is_pressure_test": m.marks.is_pressure_test,
        "is_opened": m.marks.is_opened,
        "vapor_pa_s": m.fit.vapor,
        "diameter": m.sizes.diameter,
        "low": m.sizes.low,
        "high": m.sizes.high,
        "per_gas": m.sizes.leak * per_area,
        "per_gas_low": m.sizes.leak_low * per_area,
        "per_gas_high": m.sizes.leak_high * per_area,
        "is_level_known": m.sizes.volume.is_level_known,
        "is_by_purge": m.sizes.volume.is_by_purge,
        "working_high": m.sizes.working_high,
        "gross_low": m.at_least_mm,
        "settled": m.equilibrium.diameter,
        "settled_low": m.equilibrium.low,
        "settled_high": m.equilibrium.high,
        "pressure_test": np.array(m.pressure_test, object),
        "is_flat_volts": m.volts.is_flat > 0,
        "is_flat_pressure": m.volts.is_alone > 0,
        "volt_range": m.volts.volt_range,
        "pressure_range": m.volts.pressure_range,
        "residual_pa": m.volts.residual_pa,
        "is_off_norm": m.volts.is_off_norm > 0,
        "volts_per_pa": m.volts.volts_per_pa,
        "norm_volts_per_pa": m.volts.norm_volts_per_pa,
        "norm_n": m.volts.norm_n,
        "is_shifted": m.volts.is_shifted > 0,
        "norm_rest_v": m.volts.norm_rest_v,
        "norm_rest_n": m.volts.norm_rest_n,
    }
    columns |= {name: attrgetter(path)(m.shown) for name, path in _READINGS_SAID.items()}
    n = len(m.judgement.verdict)
    columns |= {"level": np.full(n, settings.level), "discharge": np.full(n, settings.discharge_coefficient)}
    return _said(columns, n)


def _said(columns: dict[str, np.ndarray], n: int) -> list[str]:
    """Return the sentence of each recording. One verdict is said after the other, for its sentences ask for much the
    same readings: what the first one asks for is at hand for all."""
    out = np.empty(n, object)
    verdict = columns["verdict"]
    for word in set(verdict.tolist()):
        mine = np.flatnonzero(verdict == word)
        told = _Columns(columns, mine)
        first = _Reading(columns=told, at=0)
        say(first)
        names = [name for name in first if name not in ("columns", "at")]
        rows = zip(repeat(told), count(), *(told[name] for name in names))
        names = ["columns", "at", *names]
        out[mine] = [say(_Reading(zip(names, row, strict=True))) for row in rows]
    return out.tolist()


class _Columns(dict[str, list[Any]]):
    """Rows `mine` of the arrays, each column a list from when it is first asked for."""

    def __init__(self, arrays: dict[str, np.ndarray], mine: np.ndarray) -> None:
        super().__init__()
        self.arrays, self.mine = arrays, mine

    def __missing__(self, name: str) -> list[Any]:
        self[name] = self.arrays[name][self.mine].tolist()
        return self[name]


class _Reading(dict[str, Any]):
    """The readings of one recording: what is at hand, and what else a sentence names from place `at` of `columns`."""

    def __missing__(self, name: str) -> Any:
        value = self[name] = self["columns"][name][self["at"]]
        return value


def _suspects(m: Measured) -> list[list[str]]:
    def lists(name: str) -> list[tuple[str, ...]]:
        if name not in m.headers.columns:
            return [()] * m.headers.height
        return [tuple(words or ()) for words in m.headers[name].to_list()]

    told, j = m.judgement.told, m.judgement
    # Rounded, so that equal cases are worked out once; a story below a tenth competes with nothing.
    first, second = np.round(told.confidence, 1).tolist(), np.round(told.second_confidence, 1).tolist()
    is_shut = (j.creeps & (j.best == "no_vacuum")).tolist()
    rows = zip(
        j.verdict.tolist(),
        j.reason.tolist(),
        zip(j.best.tolist(), first, strict=True),
        zip(j.second.tolist(), second, strict=True),
        lists("checks"),
        lists("trouble_codes"),
        is_shut,
        strict=True,
    )
    return [
        name_suspects(
            (best, *([other] if other[1] > 0 else [])) if verdict != "not_judged" or reason == "torn" else (),
            checks,
            codes,
            OPENINGS if shut else (),
        )
        for verdict, reason, best, other, checks, codes, shut in rows
    ]


def _lists(words: list[list[str]]) -> pl.Series:
    """Return lists of words as one column: few different ones are made, and taken as often as they occur."""
    place: dict[int, int] = {}
    distinct: list[list[str]] = []
    at = []
    for some in words:
        if id(some) not in place:
            place[id(some)] = len(distinct)
            distinct.append(some)
        at.append(place[id(some)])
    return pl.Series(distinct, dtype=pl.List(pl.String)).gather(at)
