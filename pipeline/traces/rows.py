"""The rows of mart.trace_result: numbers, the sentence and the suspects of a measured batch."""

from __future__ import annotations

from operator import attrgetter
from typing import Any

import numpy as np
import polars as pl

from pipeline.contract.tables import TRACE_RESULT
from pipeline.settings import Settings
from pipeline.traces.evidence import evidence_of
from pipeline.traces.measured import Measured
from pipeline.traces.steady_rows import with_steady_flows
from pipeline.traces.stories import NAMES, NO_VACUUM
from pipeline.traces.suspects import OPENINGS, name_suspects

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
    "risen": "draw.risen",
    "draw_s": "draw.seconds",
    "lost_s": "draw.lost_s",
    "hold_s": "hold.seconds",
    "draw_before": "draw.before",
    "hold_start_above": "hold.start_above",
    "hold_end_above": "hold.end_above",
    "gone_s": "hold.gone_s",
    "let_go_s": "hold.let_go_s",
    "interval_s": "sensor.interval_s",
    "creep": "draw.creep",
    "closed_change": "closed.change",
    "closed_rate": "closed.rate",
    "closed_rate_sd": "closed.rate_sd",
    "closed_above": "closed.above",
    "hold_late_change": "hold.late_change",
    "hold_change": "hold.change",
    "flowing_above": "vented.flowing_above",
    "release_from_above": "release.from_above",
    "release_half_s": "release.half_s",
    "stopped_from_above": "stopped.from_above",
    "stopped_half_s": "stopped.half_s",
    "stopped_s": "stopped.seconds",
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
    is_weighed = m.judgement.is_weighed
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
    tested = m.pressure_test.tolist()
    frame = (
        pl.DataFrame(numbers)
        .fill_nan(None)
        .with_columns(
            verdict=pl.Series(verdict.tolist(), dtype=pl.String),
            second_verdict=pl.Series(m.judgement.second.tolist(), dtype=pl.String).set(
                pl.Series(~is_weighed), None
            ),
            leak_censoring=pl.Series([word or None for word in censoring.tolist()], dtype=pl.String),
            evidence=_sentences(m, settings),
            suspects=_suspects(m),
            pressure_test=pl.Series([t and t.verdict for t in tested], dtype=pl.String),
            discharge_coefficient=pl.Series([settings.discharge_coefficient] * n, dtype=pl.Float64),
            n_samples=pl.Series(shown.sensor.n, dtype=pl.Int64),
        )
    )
    carried = headers.select("trace_id", "job_id", "vehicle_id", "stage").cast(pl.String)
    frame = with_steady_flows(frame, m.steady, headers, settings)
    return pl.concat([carried, frame], how="horizontal").select(list(RESULT_SCHEMA))


def _sentences(m: Measured, settings: Settings) -> pl.Series:
    per_area = 1e6 / settings.discharge_coefficient
    columns = {
        "reason": m.judgement.reason,
        "creeps": m.judgement.signs.creeps > 0,
        "is_risen_shut": m.judgement.signs.risen_shut > 0,
        "is_shut_at_rest": m.judgement.signs.shut_at_rest > 0,
        "is_stopped": m.judgement.signs.stopped > 0,
        "second": m.judgement.second,
        "best": m.judgement.best,
        "confidence": m.judgement.told.confidence,
        "second_confidence": m.judgement.told.second_confidence,
        "n_samples": m.shown.sensor.n,
        "is_pressure_test": m.marks.is_pressure_test,
        "is_opened": m.marks.is_opened,
        "hold_lost_s": m.marks.hold_lost_s,
        "stood_s": m.shown.sensor.stood_s,
        "mended_s": m.fit.mended_s,
        "is_at_end": np.isfinite(m.shown.sensor.floor),
        "vapor_pa_s": m.fit.vapor,
        "is_leak_told": np.isfinite(m.fit.leak) & (m.sizes.chance_of_leak >= settings.least_confidence),
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
        "pressure_test": m.pressure_test,
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
        "is_parted": m.volts.is_parted,
        "norm_rest_v": m.volts.norm_rest_v,
        "norm_rest_n": m.volts.norm_rest_n,
    }
    columns |= {name: attrgetter(path)(m.shown) for name, path in _READINGS_SAID.items()}
    same_for_all = {"level": settings.level, "discharge": settings.discharge_coefficient}
    # One verdict is told after the other: each has sentences of its own.
    words = (*NAMES, "not_judged")
    which = np.where(m.judgement.verdict == "not_judged", len(NAMES), m.judgement.told.best)
    rows = [np.flatnonzero(which == k) for k in range(len(words))]
    said = [
        evidence_of(_Readings(columns, mine, verdict=word, **same_for_all), len(mine))
        for word, mine in zip(words, rows, strict=True)
        if len(mine)
    ]
    return pl.concat([pl.Series(dtype=pl.String), *said]).gather(np.argsort(np.concatenate(rows)))


class _Readings(dict[str, Any]):
    """Elements `mine` of the arrays that a sentence asks for, and what is the same for all."""

    def __init__(self, arrays: dict[str, np.ndarray], mine: np.ndarray, **same_for_all: Any) -> None:
        super().__init__(same_for_all)
        self.arrays, self.mine = arrays, mine

    def __missing__(self, name: str) -> np.ndarray:
        self[name] = self.arrays[name][self.mine]
        return self[name]


def _suspects(m: Measured) -> pl.Series:
    """Return each recording's suspects; equal cases are worked out once."""
    told, j = m.judgement.told, m.judgement
    is_told = (j.verdict != "not_judged") | (j.reason == "torn")
    words = [
        pl.col(name) if name in m.headers.columns else pl.lit(None).alias(name)
        for name in ("checks", "trouble_codes")
    ]
    # Rounded, so that there are few cases; a story below a tenth competes with nothing.
    each = m.headers.select(
        *words,
        best=pl.Series(np.where(is_told, told.best, -1)),
        first=pl.Series(np.round(told.confidence, 1)),
        other=pl.Series(told.second),
        second=pl.Series(np.round(told.second_confidence, 1)),
        is_shut=pl.Series(((j.signs.creeps > 0) | (j.signs.risen_shut > 0)) & (told.best == NO_VACUUM)),
    )
    cases = each.with_row_index("at").group_by(each.columns).agg("at")
    suspects = []
    for checks, codes, best, first, other, second, is_shut in cases.select(each.columns).iter_rows():
        stories = (
            ((NAMES[best], first), *([(NAMES[other], second)] if second > 0 else [])) if best >= 0 else ()
        )
        parts = name_suspects(stories, tuple(checks or ()), tuple(codes or ()), OPENINGS if is_shut else ())
        # As one text, which polars cuts into words: it takes lists over from Python one by one.
        suspects.append(" ".join(parts))
    named = cases.select("at", suspects=pl.Series(suspects, dtype=pl.String).str.extract_all(r"\w+"))
    return named.explode("at").sort("at")["suspects"]
