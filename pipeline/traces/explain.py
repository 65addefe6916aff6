"""One trace laid open: phases, fit with its band, and the verdict in plain words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from scipy.special import ndtri

from pipeline.physics.volume import CANISTER_AND_LINES_L
from pipeline.settings import Settings
from pipeline.traces.compiled import Floats
from pipeline.traces.evidence import SURE
from pipeline.traces.left_out import MENDED_S
from pipeline.traces.measure import measure
from pipeline.traces.measured import Measured
from pipeline.traces.other_stories import StoryCurve, other_stories
from pipeline.traces.quantities import pressure
from pipeline.traces.recordings import Recordings, gather, phases_of
from pipeline.traces.rows import rows_of
from pipeline.traces.steady_rows import is_judged_by_flow
from pipeline.traces.weighing import weigh_in_words

#: What a technician does next, after each verdict (common practice; the procedure in force decides).
NEXT_STEP = {
    "holds": "Nothing to find here; clear the codes and drive until the monitor has run.",
    "leak": "Find the place with smoke or a bubble solution, then run the same test again.",
    "gross_leak": "See first whether the vent valve shuts and the cap is on, then look for an open line.",
    "no_vacuum": "See whether vacuum reaches the purge valve and whether the valve opens when it is commanded.",
    "purge_passes_closed": "Shut off the purge line by hand: if the vacuum stops growing, the valve does not seal.",
    "vent_restricted": "Look for a blocked vent filter or line, or a vent valve that stays shut.",
    "sensor_flat": "Check the sensor's supply, ground and signal before condemning it.",
    "sensor_offset": "Compare the sensor with a gauge of known accuracy, the system vented.",
    "sensor_disagrees": "Compare the sensor with a gauge of known accuracy through a whole test.",
    "not_judged": "Record a whole test: rest, closed, draw, hold of a minute, release.",
}

#: Of a system that holds, but might not.
NEXT_IF_UNSURE = "Likely nothing to find here: run the same test again before the codes are cleared."

#: The same where nothing was judged, after each reason (`verdict.REASONS`) but those that lack a part of the test.
NEXT_RECORDING = {
    "filling": "Run the test again: feed on until pressure and flow stand still, or shut the supply off and hold.",
    "vent_open": "Run the test again with the vent commanded shut, or let the source declare it shut.",
    "pressure_unit": "Let the source declare the unit of its pressures, then run the lake again.",
    "zero": "Let the source export the pressure of the air at the shop, then run the lake again.",
    "seldom": "Record a sample a second or more; where the recorder did, let its source declare the unit of its clock.",
    "vent_command": "Let the source declare which word of its vent command means shut, then run the lake again.",
    "drawn": "Run the test again with the purge valve's command recorded, and let the engine draw the vacuum.",
    "short_hold": "Run the test again, and hold for a minute or more.",
    "rose": "See with which sign the recorder writes vacuum: it is to be read as less than the air outside, below 0.",
    "engine_off": "Run the test again with the engine idling: its vacuum draws the tank down.",
    "short_draw": "Run the test again, and keep the purge open until a vacuum stands, or for half a minute.",
    "stood": "See that the recorder goes on being answered, then run the test again.",
    "at_end": "Run the test again with less vacuum or pressure, within what the sensor can read.",
    "fed": "Run the test again: shut the supply off, and watch the pressure for two minutes.",
    "let_go": "Run the test again: shut the supply off, and keep cap and ports shut for two minutes.",
    "outrun": "See that the cap is on, the vent valve shuts and no line is off; then run the test again from 14 in of "
    "water.",
    "cannot_tell": "Run the test again with a longer hold, when the fuel has cooled.",
    "torn": "Settle which of the two it is by hand.",
}
#: What settles whether a system holds after all, beside one of the other stories' own steps.
TO_SETTLE = NEXT_STEP | {"holds": "Run the same test again, and hold for two minutes."}


@dataclass(frozen=True)
class HoldCurve:
    """The fitted hold: time on the recording's clock [s], and pressure as the sensor would show it [Pa] with its
    bounds at the stated level."""

    t_s: list[float]
    pa: list[float]
    low_pa: list[float]
    high_pa: list[float]


@dataclass(frozen=True)
class TraceExplanation:
    """One trace, ready to be drawn and read.

    `result` is its row of mart.trace_result; `phases` are (name, start [s], end [s]) with "" where the purge flows
    through an open vent; the series are the samples that were used; `hold` is None where nothing was fitted; `stories`
    are what was not chosen, likeliest first. A recording that was judged by its steady flow has no hold and no stories.
    `grounds` are those of `sentences` on which the others rest.
    """

    result: dict[str, Any]
    phases: list[tuple[str, float, float]]
    t_s: list[float]
    tank_pressure_pa: list[float]
    sensor_v: list[float | None]
    purge_duty_pct: list[float]
    is_vent_closed: list[bool]
    hold: HoldCurve | None
    sentences: list[str]
    grounds: list[str] = field(default_factory=list)
    stories: tuple[StoryCurve, ...] = ()
    test_flow_std_l_min: list[float | None] = field(default_factory=list)


def explain_trace(
    samples: pl.DataFrame,
    header: dict[str, Any] | pl.DataFrame,
    settings: Settings,
    norms: pl.DataFrame | None = None,
) -> TraceExplanation:
    """Measure one trace and keep all that a page or a person needs to follow the verdict. Reads only.

    Parameters
    ----------
    samples : samples of this trace, as for `measure.measure_traces`.
    header : its header, a row as a dict or a frame of one row.
    settings, norms : as for `measure.measure_traces`; the same norms give the same verdict as the table's.
    """
    headers = header if isinstance(header, pl.DataFrame) else pl.DataFrame([header], infer_schema_length=None)
    return explain_traces(samples, headers, settings, norms)[0]


def explain_traces(
    samples: pl.DataFrame, headers: pl.DataFrame, settings: Settings, norms: pl.DataFrame | None = None
) -> list[TraceExplanation]:
    """Explain many traces, measured in one batch: one explanation per header, in its order. Reads only.

    Parameters
    ----------
    samples, headers, settings, norms : as for `measure.measure_traces`.
    """
    if headers.is_empty():
        return []
    recordings = gather(samples, headers["trace_id"])
    measured = measure(recordings, headers, settings, norms, with_curves=True)
    results = rows_of(measured, settings).to_dicts()
    return [_explain(recordings, measured, k, result, settings) for k, result in enumerate(results)]


def _explain(
    recordings: Recordings, m: Measured, k: int, result: dict[str, Any], settings: Settings
) -> TraceExplanation:
    phases = phases_of(recordings, k)
    rows = recordings.rows(k)
    is_by_flow = is_judged_by_flow(m.taken.steady, k, result["verdict"])
    return TraceExplanation(
        result,
        phases,
        recordings.t[rows].tolist(),
        recordings.pressure[rows].tolist(),
        _or_none(recordings.volts[rows]),
        recordings.duty[rows].tolist(),
        recordings.is_vent_closed[rows].tolist(),
        None if is_by_flow else _hold_curve(m, k, settings.level),
        *_sentences(result, phases, m, k, settings, is_by_flow),
        () if is_by_flow else tuple(other_stories(m, k, settings)),
        [] if recordings.flow is None else _or_none(recordings.flow[rows]),
    )


def _or_none(values: Floats) -> list[float | None]:
    return [v if np.isfinite(v) else None for v in values.tolist()]


def _hold_curve(m: Measured, k: int, level: float) -> HoldCurve | None:
    fit, bins = m.taken.fit, m.taken.bins
    if not np.isfinite(fit.leak[k]) or m.is_outrun[k]:
        return None
    filled = bins.n[k] > 0
    t = bins.start_s[k] + bins.t[k][filled]
    curve = m.taken.shown.vented.zero[k] + fit.curve[k][filled]
    reach = ndtri((1 + level) / 2) * fit.curve_sd[k][filled]
    return HoldCurve(t.tolist(), curve.tolist(), (curve - reach).tolist(), (curve + reach).tolist())


def _sentences(
    result: dict[str, Any],
    phases: list[tuple[str, float, float]],
    m: Measured,
    k: int,
    settings: Settings,
    is_by_flow: bool,
) -> tuple[list[str], list[str]]:
    """Return all that is said of recording k, and what of it are the grounds."""
    named = [f"{name or 'purge through the open vent'} {end - start:.0f} s" for name, start, end in phases]
    lines = [f"The recording holds {result['n_samples']} usable samples: {', '.join(named) or 'none'}."]
    if result["rest_pressure_pa"] is not None:
        lines.append(f"With the vent open the sensor reads {pressure(result['rest_pressure_pa'])}.")
    if result["vapor_rise_pa_s"] is not None:
        before = "filling" if m.taken.marks.is_pressure_test[k] else "draw"
        lines.append(
            f"Shut, before the {before}, the pressure changes by {result['vapor_rise_pa_s']:.2f} Pa/s"
            f" (standard error {m.taken.shown.closed.rate_sd[k]:.2f})."
        )
    grounds = lines.copy()
    lines.append(result["evidence"])
    if not is_by_flow:
        rests = _about_the_clock(m.taken.fit.mended_s[k]) + _about_the_size(result, m, k, settings)
        likeliest, against = weigh_in_words(m, k)
        lines += rests + likeliest + against
        grounds += rests + against
    if result["suspects"]:
        lines.append("Look first at: " + ", ".join(s.replace("_", " ") for s in result["suspects"][:3]) + ".")
    after_reason = NEXT_RECORDING if result["verdict"] == "not_judged" else {}
    step = after_reason.get(m.judgement.reason[k], NEXT_STEP[result["verdict"]])
    lines.append(NEXT_IF_UNSURE if result["verdict"] == "holds" and result["confidence"] < SURE else step)
    if m.judgement.reason[k] == "torn":
        lines[-1] += "".join(f" {TO_SETTLE[story]}" for story in (m.judgement.best[k], m.judgement.second[k]))
    return lines, grounds


def _about_the_clock(mended_s: float) -> list[str]:
    """Say where the fit used other times than those at which it is drawn."""
    if abs(mended_s) < MENDED_S:
        return []
    did = "leapt ahead" if mended_s < 0 else "stood still"
    return [
        f"By the pressure, the clock {did} by about {abs(mended_s):.1f} s in the hold: the fit took the time that "
        "passed; it is drawn where the clock puts it."
    ]


def _beside_the_tank(extra_l: float) -> str:
    """Say how much of the volume lies beside the tank, where its model's draws, or the lake's, told it."""
    if extra_l == CANISTER_AND_LINES_L:
        return ""
    return (
        f" ({extra_l:.1f} l of it beside the fuel's own room: canister, lines, the dome above the full mark and walls"
        " that give, read from draws)"
    )


def _about_the_size(result: dict[str, Any], m: Measured, k: int, settings: Settings) -> list[str]:
    if result["verdict"] not in ("leak", "holds"):
        return []
    volume = m.sizes.volume
    if not volume.is_tank_known[k]:
        numbers = [result[f"leak_area_per_volume{end}_mm2_m3"] for end in ("", "_low", "_high")]
        if None in numbers:
            return ["The tank size is not known, and the hold gives no leak area over volume."]
        per_volume, low, high = numbers
        return [
            f"The tank size is not known: leak area over volume is {per_volume:.2f} mm² per m³ of gas "
            f"({low:.2f} to {high:.2f} at {settings.level:.0%})."
        ]
    any_fill = "" if volume.is_level_known[k] else ", any fill allowed"
    if volume.is_by_purge[k]:
        any_fill = ", told by the draw at the model's usual purge flow"
    rests = f"a vapor volume of {volume.working_l[k]:.0f} l{any_fill or _beside_the_tank(volume.extra_l[k])}"
    if result["discharge_at_hold"] is None or not np.isfinite(m.taken.fit.residual[k]):
        return [
            f"The size rests on {rests} and on the time in which the vacuum went: there was too little to fit."
        ]
    filled = m.taken.bins.n[k] > 0
    off = np.sqrt(np.mean((m.taken.bins.pressure[k] - m.taken.fit.curve[k])[filled] ** 2))
    return [
        f"The size rests on {rests}, a discharge coefficient of {settings.discharge_coefficient:.2f} at high Reynolds "
        f"number ({result['discharge_at_hold']:.3f} in this hold), and a fit from which the hold, in {filled.sum()} "
        f"parts, lies {off:.1f} Pa off (root mean square)."
    ]
