"""The rows of mart.trace_result: numbers, the sentence and the suspects of a measured batch."""

from __future__ import annotations

from operator import attrgetter
from typing import Any

import numpy as np
import polars as pl

from pipeline.contract.tables import TRACE_RESULT
from pipeline.settings import Settings
from pipeline.traces.compiled import Floats
from pipeline.traces.evidence import evidence_of
from pipeline.traces.measured import Measured
from pipeline.traces.steady_rows import with_steady_flows
from pipeline.traces.stories import GROSS, NAMES, NO_VACUUM
from pipeline.traces.suspects import OPENINGS, name_suspects

_TYPES: dict[str, pl.DataType | type[pl.DataType]] = {
    "VARCHAR": pl.String,
    "DOUBLE": pl.Float64,
    "BIGINT": pl.Int64,
    "VARCHAR[]": pl.List(pl.String),
}
RESULT_SCHEMA = {column.name: _TYPES[column.type] for column in TRACE_RESULT.columns}

#: What the sentences of `evidence` name, and where `Measured` has it.
_SAID = {
    "depth": "taken.shown.draw.depth",
    "risen": "taken.shown.draw.risen",
    "draw_s": "taken.shown.draw.seconds",
    "lost_s": "taken.shown.draw.lost_s",
    "draw_before": "taken.shown.draw.before",
    "creep": "taken.shown.draw.creep",
    "hold_s": "taken.shown.hold.seconds",
    "hold_start_above": "taken.shown.hold.start_above",
    "hold_end_above": "taken.shown.hold.end_above",
    "hold_last_above": "taken.shown.hold.last_above",
    "hold_change": "taken.shown.hold.change",
    "hold_late_change": "taken.shown.hold.late_change",
    "gone_s": "taken.shown.hold.gone_s",
    "let_go_s": "taken.shown.hold.let_go_s",
    "closed_change": "taken.shown.closed.change",
    "closed_rate": "taken.shown.closed.rate",
    "closed_rate_sd": "taken.shown.closed.rate_sd",
    "closed_above": "taken.shown.closed.above",
    "release_s": "taken.shown.release.seconds",
    "release_from_above": "taken.shown.release.from_above",
    "release_half_s": "taken.shown.release.half_s",
    "stopped_s": "taken.shown.stopped.seconds",
    "stopped_from_above": "taken.shown.stopped.from_above",
    "stopped_half_s": "taken.shown.stopped.half_s",
    "zero": "taken.shown.vented.zero",
    "rest_v": "taken.shown.vented.rest_v",
    "rest_s": "taken.shown.vented.rest_s",
    "moved": "taken.shown.vented.moved",
    "flowing_above": "taken.shown.vented.flowing_above",
    "open_vacuum": "taken.shown.vented.open_vacuum",
    "n_samples": "taken.shown.sensor.n",
    "interval_s": "taken.shown.sensor.interval_s",
    "span": "taken.shown.sensor.span",
    "stood_s": "taken.shown.sensor.stood_s",
    "is_pressure_test": "taken.marks.is_pressure_test",
    "is_opened": "taken.marks.is_opened",
    "hold_lost_s": "taken.marks.hold_lost_s",
    "pressure_test": "taken.pressure_test",
    "vapor_pa_s": "taken.fit.vapor",
    "mended_s": "taken.fit.mended_s",
    "diameter": "sizes.diameter",
    "low": "sizes.low",
    "high": "sizes.high",
    "working_high": "sizes.working_high",
    "is_level_known": "sizes.volume.is_level_known",
    "is_by_purge": "sizes.volume.is_by_purge",
    "gross_low": "at_least_mm",
    "settled": "equilibrium.diameter",
    "settled_low": "equilibrium.low",
    "settled_high": "equilibrium.high",
    "passes": "purge_leak.flow",
    "passes_low": "purge_leak.low",
    "passes_high": "purge_leak.high",
    "passes_unseen": "purge_leak.most",
    "volt_range": "volts.volt_range",
    "pressure_range": "volts.pressure_range",
    "residual_pa": "volts.residual_pa",
    "volts_per_pa": "volts.volts_per_pa",
    "norm_volts_per_pa": "volts.norm_volts_per_pa",
    "norm_n": "volts.norm_n",
    "norm_rest_v": "volts.norm_rest_v",
    "norm_rest_n": "volts.norm_rest_n",
    "is_parted": "volts.is_parted",
    "reason": "judgement.reason",
    "best": "judgement.best",
    "second": "judgement.second",
    "confidence": "judgement.told.confidence",
    "second_confidence": "judgement.told.second_confidence",
}
#: Signs that they ask whether they are there.
_SIGNS_SAID = {
    "creeps": "judgement.signs.creeps",
    "is_risen_shut": "judgement.signs.risen_shut",
    "is_shut_at_rest": "judgement.signs.shut_at_rest",
    "is_stopped": "judgement.signs.stopped",
    "is_flat_volts": "volts.is_flat",
    "is_flat_pressure": "volts.is_alone",
    "is_off_norm": "volts.is_off_norm",
    "is_shifted": "volts.is_shifted",
}


def rows_of(measured: Measured, settings: Settings) -> pl.DataFrame:
    """Return the contract's rows of a measured batch."""
    m, headers = measured, measured.taken.headers
    frame = pl.DataFrame(_numbers(m, settings)).fill_nan(None)
    frame = frame.with_columns(
        verdict=pl.Series(m.judgement.verdict.tolist(), dtype=pl.String),
        second_verdict=pl.Series(m.judgement.second.tolist(), dtype=pl.String).set(
            pl.Series(~m.judgement.is_weighed), None
        ),
        leak_censoring=_censoring(m),
        evidence=_sentences(m, settings),
        suspects=_suspects(m),
        pressure_test=pl.Series(
            [test and test.verdict for test in m.taken.pressure_test.tolist()], dtype=pl.String
        ),
        discharge_coefficient=pl.lit(settings.discharge_coefficient),
        n_samples=pl.Series(m.taken.shown.sensor.n, dtype=pl.Int64),
    )
    carried = headers.select("trace_id", "job_id", "vehicle_id", "stage").cast(pl.String)
    frame = with_steady_flows(frame, m.taken.steady, headers, settings)
    return pl.concat([carried, frame], how="horizontal").select(list(RESULT_SCHEMA))


def _numbers(m: Measured, settings: Settings) -> dict[str, Floats]:
    """Return the numbers of the rows by column, nan where a recording has none."""
    shown, sizes, volume, hole = m.taken.shown, m.sizes, m.sizes.volume, m.equilibrium
    verdict, told = m.judgement.verdict, m.judgement.told
    is_leak, is_tight, is_gross = (verdict == word for word in ("leak", "holds", "gross_leak"))
    passes, valve = verdict == "purge_passes_closed", m.purge_leak
    has_size = is_leak | is_tight
    per_area = np.where(has_size, 1e6 / settings.discharge_coefficient, np.nan)
    low = np.where(is_leak, sizes.low, np.where(is_tight & volume.is_tank_known, 0.0, np.nan))
    discharge = settings.discharge_coefficient * m.taken.fit.discharge_share
    return {
        "leak_diameter_mm": np.where(is_leak, sizes.diameter, np.nan),
        "leak_diameter_low_mm": np.where(is_gross, m.at_least_mm, low),
        "leak_diameter_high_mm": np.where(has_size, sizes.high, np.nan),
        "equilibrium_diameter_mm": np.where(is_gross, hole.diameter, np.nan),
        "equilibrium_diameter_low_mm": np.where(is_gross, hole.low, np.nan),
        "equilibrium_diameter_high_mm": np.where(is_gross, hole.high, np.nan),
        "purge_leak_l_min": np.where(passes, valve.flow, np.nan),
        "purge_leak_low_l_min": np.where(passes, valve.low, np.where(is_tight, 0 * valve.most, np.nan)),
        "purge_leak_high_l_min": np.where(passes, valve.high, np.where(is_tight, valve.most, np.nan)),
        "discharge_at_hold": np.where(has_size, discharge, np.nan),
        "leak_area_per_volume_mm2_m3": sizes.leak * per_area,
        "leak_area_per_volume_low_mm2_m3": sizes.leak_low * per_area,
        "leak_area_per_volume_high_mm2_m3": sizes.leak_high * per_area,
        "vapor_volume_l": volume.known_l,
        "vapor_rise_pa_s": shown.closed.rate,
        "rest_pressure_pa": shown.vented.rest,
        "rest_sensor_v": shown.vented.rest_v,
        "peak_vacuum_pa": shown.sensor.peak_vacuum,
        "draw_rate_pa_s": shown.draw.rate,
        "hold_s": m.taken.marks.longest_hold,
        "quality": m.judgement.quality,
        "confidence": np.where(verdict == "not_judged", np.nan, told.confidence),
        "second_confidence": np.where(m.judgement.is_weighed, told.second_confidence, np.nan),
    }


def _censoring(m: Measured) -> pl.Series:
    verdict, is_tank_known = m.judgement.verdict, m.sizes.volume.is_tank_known
    cases = {
        "none": (verdict == "leak") & is_tank_known,
        "left": (verdict == "holds") & is_tank_known,
        "right": (verdict == "gross_leak") & np.isfinite(m.at_least_mm),
    }
    words = np.select(list(cases.values()), list(cases), "")
    return pl.Series([word or None for word in words.tolist()], dtype=pl.String)


def _sentences(m: Measured, settings: Settings) -> pl.Series:
    """Return each recording's evidence: one verdict is told after the other, for each has sentences of its own."""
    arrays = _said(m, settings)
    same_for_all = {"level": settings.level, "discharge": settings.discharge_coefficient}
    words = (*NAMES, "not_judged")
    which = np.where(m.judgement.verdict == "not_judged", len(NAMES), m.judgement.told.best)
    rows = [np.flatnonzero(which == k) for k in range(len(words))]
    said = [
        evidence_of(_Readings(arrays, mine, verdict=word, **same_for_all), len(mine))
        for word, mine in zip(words, rows, strict=True)
        if len(mine)
    ]
    return pl.concat([pl.Series(dtype=pl.String), *said]).gather(np.argsort(np.concatenate(rows)))


def _said(m: Measured, settings: Settings) -> dict[str, np.ndarray]:
    """Return what the sentences name, one element per recording."""
    per_area = 1e6 / settings.discharge_coefficient
    return {
        **{name: attrgetter(path)(m) for name, path in _SAID.items()},
        **{name: attrgetter(path)(m) > 0 for name, path in _SIGNS_SAID.items()},
        "put_under": np.array([test.start_pa if test else np.nan for test in m.taken.pressure_test]),
        "is_at_end": np.isfinite(m.taken.shown.sensor.floor),
        "is_leak_told": np.isfinite(m.taken.fit.leak) & (m.sizes.chance_of_leak >= settings.least_confidence),
        "per_gas": m.sizes.leak * per_area,
        "per_gas_low": m.sizes.leak_low * per_area,
        "per_gas_high": m.sizes.leak_high * per_area,
    }


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
    # What was checked and stored before a repair says nothing of the vehicle after it.
    is_before = pl.col("stage").ne_missing("after_repair")
    words = [
        pl.when(is_before).then(name).alias(name)
        if name in m.taken.headers.columns
        else pl.lit(None).alias(name)
        for name in ("checks", "trouble_codes")
    ]
    # Rounded, so that there are few cases; a story below a tenth competes with nothing.
    second = np.round(told.second_confidence, 1)
    is_open_too = (told.second == GROSS) & (second > 0)
    each = m.taken.headers.select(
        *words,
        best=pl.Series(np.where(is_told, told.best, -1)),
        first=pl.Series(np.round(told.confidence, 1)),
        other=pl.Series(told.second),
        second=pl.Series(second),
        is_shut=pl.Series(
            ((j.signs.creeps > 0) | (j.signs.risen_shut > 0)) & (told.best == NO_VACUUM) & ~is_open_too
        ),
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
