"""From samples to one judged row per trace."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.physics.orifice import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_C
from pipeline.settings import Settings
from pipeline.standards.pressure_test import PressureCriterion, judge_pressure_test
from pipeline.traces.air import Air
from pipeline.traces.beliefs import vapor_beliefs
from pipeline.traces.filling import FILLING_ENDS_S
from pipeline.traces.fleet_gas import by_lake
from pipeline.traces.hold_fit import HoldFit, fit_holds
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.measured import Measured
from pipeline.traces.model_norms import Norms, model_norms, norms_for
from pipeline.traces.purge_flow import hole_at_equilibrium
from pipeline.traces.purge_leak import purge_leak
from pipeline.traces.readings import Shown, read_recordings
from pipeline.traces.recordings import Recordings, gather
from pipeline.traces.rows import RESULT_SCHEMA, rows_of
from pipeline.traces.sizes import leaks_alone, size_leaks, vapor_space
from pipeline.traces.sources import believed, sources_of, with_doubts
from pipeline.traces.steady_flow import read_steady_flows
from pipeline.traces.taken import Taken, numbers_of
from pipeline.traces.verdict import judge
from pipeline.traces.volts import clear_slope, compare_volts
from pipeline.traces.volume_by_flow import told_by_flow
from pipeline.traces.volume_by_model import volume_by_model


def measure_traces(
    samples: pl.DataFrame, headers: pl.DataFrame, settings: Settings, norms: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Judge every trace of a batch. Reads only.

    Parameters
    ----------
    samples : trace_id, t_s [s], tank_pressure_pa [Pa, gauge], sensor_v [V], purge_duty_pct [%], is_vent_closed,
        engine_rpm [1/min], is_pressure_derived and, where test gas was fed, test_flow_std_l_min.
    headers : one row per trace: trace_id, job_id, vehicle_id, stage, fuel_level_pct [%], ambient_c [°C],
        barometric_kpa [kPa], fuel_tank_l [l], make, model, model_year, trouble_codes, checks; barometer_step_kpa [kPa]
        of the barometer by which absolute pressure became gauge, null for any other; source_id where its vent command
        and its pressures are to be doubted, or the flags of that (see `sources.with_doubts`).
    settings : discharge_coefficient, level and least_confidence are used.
    norms : of each model, as `model_norms.model_norms` returns them over the whole lake; None takes them from this
        batch.

    Returns
    -------
    One row per header in its order, the columns of the contract's TRACE_RESULT. A header without samples is
    `not_judged`.
    """
    if headers.is_empty():
        return pl.DataFrame(schema=RESULT_SCHEMA)
    measured = measure(gather(samples, headers["trace_id"]), headers, settings, norms)
    return rows_of(measured, settings)


def measure(
    recordings: Recordings,
    headers: pl.DataFrame,
    settings: Settings,
    norms: pl.DataFrame | None = None,
    with_curves: bool = False,
) -> Measured:
    """Return all that a batch's traces show, with their fits and verdicts; recording k belongs to header k.
    `with_curves`: see `judge_taken`."""
    taken = take(recordings, headers, settings)
    if norms is None:
        told = taken.for_norms()
        sources = sources_of(told)
        norms = model_norms(believed(told, sources))
        taken = replace(taken, headers=with_doubts(headers, sources))
    return judge_taken(taken, norms, settings, with_curves)


def take(recordings: Recordings, headers: pl.DataFrame, settings: Settings) -> Taken:
    """Read a batch and fit it roughly; recording k belongs to header k. Needs no other batch."""
    marks, shown, volts, bins = read_recordings(recordings)
    air = _air_of(headers)
    volume = vapor_space(numbers_of(headers, "fuel_tank_l"), numbers_of(headers, "fuel_level_pct"))
    beliefs = vapor_beliefs(shown.closed, shown.vented.zero_sd, marks.is_pressure_test, air, volume.working_l)
    fit = fit_holds(bins, beliefs, air, volume.working_l, shown, settings, is_rough=True)
    leak, leak_mm = leaks_alone(fit, shown, volume, air, settings.discharge_coefficient)
    tested = _pressure_tests(recordings, marks, shown, settings)
    steady = read_steady_flows(recordings, shown, air, volume, settings.discharge_coefficient, settings.level)
    return Taken(
        headers=headers,
        is_derived=recordings.is_derived,
        air=air,
        marks=marks,
        shown=shown,
        volts=volts,
        bins=bins,
        beliefs=beliefs,
        fit=fit,
        volume=volume,
        leak=leak,
        leak_mm=leak_mm,
        pressure_test=tested,
        steady=steady,
    )


def _pressure_tests(recordings: Recordings, marks: Landmarks, shown: Shown, settings: Settings) -> np.ndarray:
    """Judge the holds under applied pressure by the published criterion, a `PressureVerdict` each; None for every other
    recording."""
    rule = PressureCriterion(
        tolerance_inh2o=settings.pressure_test_tolerance_inh2o, wording=settings.pressure_test_wording
    )
    out = np.full(len(recordings), None, object)
    for k in np.flatnonzero(marks.is_pressure_test).tolist():
        rows = recordings.rows(k)
        t, above = recordings.t[rows], recordings.pressure[rows] - shown.vented.zero[k]
        # The source is closed when the filling ends, at the greatest pressure about then: the gas has hardly cooled.
        closed = marks.hold_start[k] - FILLING_ENDS_S - 1e-6
        # A hold's end is the next stretch's first sample: the vent, or the purge, is open there.
        is_shut = recordings.is_vent_closed[rows] & (recordings.duty[rows] <= 0)
        held = is_shut & (t >= closed) & (t <= marks.hold_end[k]) & np.append(True, np.diff(t) > 0)
        if held.any():
            about = np.flatnonzero(held & (t <= max(marks.hold_start[k], t[held][0])))
            held[: about[np.argmax(above[about])]] = False
            out[k] = judge_pressure_test(t[held], above[held], rule)
    return out


def judge_taken(taken: Taken, norms: pl.DataFrame, settings: Settings, with_curves: bool = False) -> Measured:
    """Compare a batch with the norms of its models, and judge it.

    Parameters
    ----------
    with_curves : whether the fitted curves are kept, and those of sealed tanks, which only a picture needs.
    """
    shown, air = taken.shown, taken.air
    mine = norms_for(taken.headers, norms, clear_slope(taken.volts, taken.is_derived), shown.vented.rest_v)
    sealed = _fit_by_lake(taken, mine, settings, with_curves, is_sealed=True) if with_curves else None
    fit = _fit_by_lake(taken, mine, settings, with_curves)
    taken = replace(taken, fit=fit)
    sizes = size_leaks(fit, shown, volume_by_model(taken, mine), air, settings)
    sizes = told_by_flow(taken, sizes, mine, settings)
    volts = compare_volts(taken.volts, shown.vented, shown.sensor, taken.is_derived, mine)
    judgement = judge(taken, volts, sizes, mine, settings.least_confidence)
    # A supply that was left on holds any leak up: the criterion is for gas that is shut in.
    was_held_up = np.isin(judgement.reason, ["fed", "let_go", "outrun"]) | (judgement.verdict == "gross_leak")
    tested = taken.pressure_test.copy()
    tested[was_held_up] = None
    taken = replace(taken, pressure_test=tested)
    hole = hole_at_equilibrium(shown, mine, air, settings.discharge_coefficient, settings.level)
    passes = purge_leak(shown, taken.marks, taken.beliefs, sizes.volume, air, settings.level)
    return Measured(taken, sizes, volts, judgement, hole, passes, sealed)


def _fit_by_lake(
    taken: Taken, norms: Norms, settings: Settings, with_curves: bool, is_sealed: bool = False
) -> HoldFit:
    """Return the fits with the lake's gas believed, each begun where the first one ended; of tanks without a leak with
    as much vapor as tanks may give."""
    beliefs, first_log_tau = by_lake(taken.beliefs, norms), np.nan_to_num(taken.fit.gas.log_tau)
    if is_sealed:
        beliefs = replace(beliefs, usual_sd=beliefs.most_sd, under_vacuum_sd=beliefs.under_most_sd)
    return fit_holds(
        *(taken.bins, beliefs, taken.air, taken.volume.working_l, taken.shown, settings),
        with_curves=with_curves,
        first_log_tau=first_log_tau,
        is_sealed=is_sealed,
    )


def _air_of(headers: pl.DataFrame) -> Air:
    kpa, celsius = numbers_of(headers, "barometric_kpa"), numbers_of(headers, "ambient_c")
    pressure = np.where(np.isfinite(kpa), kpa * 1e3, STANDARD_PRESSURE_PA)
    temperature = np.where(np.isfinite(celsius), celsius, STANDARD_TEMPERATURE_C)
    return Air(pressure, temperature, np.isfinite(kpa), np.isfinite(celsius))
