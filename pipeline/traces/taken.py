"""What a batch of recordings shows by itself, before any is compared with its model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.traces.air import Air
from pipeline.traces.beliefs import Beliefs
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.fleet_gas import heat_told, vapor_told
from pipeline.traces.hold_bins import HoldBins
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.landmarks import Landmarks
from pipeline.traces.model_norms import models_of
from pipeline.traces.pressure_units import DRAWN_RATE, DRAWN_SPAN, drawn_rate_pa_s, drawn_span_pa
from pipeline.traces.purge_flow import duty_of_fall, is_timed, purge_flow_l_min
from pipeline.traces.readings import Shown
from pipeline.traces.sizes import VaporSpace
from pipeline.traces.source_zeros import VENTED_ZERO, vented_zero_pa
from pipeline.traces.sources import INTERVAL, source_of
from pipeline.traces.steady_flow import SteadyFlow
from pipeline.traces.vent_commands import VACUUM_UNDER_OPEN_VENT, vacuum_under_open_vent
from pipeline.traces.volts import VoltReadings, clear_slope


@dataclass(frozen=True)
class Taken:
    """What a batch's recordings show by themselves, with their fits, before any is compared with its model."""

    headers: pl.DataFrame
    is_derived: Flags
    air: Air
    marks: Landmarks
    shown: Shown
    volts: VoltReadings
    bins: HoldBins
    beliefs: Beliefs
    fit: HoldFit
    volume: VaporSpace
    """With what is usual beside the tank; the model's own is known later."""
    leak: Floats
    leak_mm: Floats
    """Each leak [1/m] and the hole [mm] that it means in that volume, without bounds: see `sizes.leaks_alone`."""
    pressure_test: np.ndarray
    """A `PressureVerdict` by the published criterion where pressure was applied from outside, else None."""
    steady: SteadyFlow | None = None
    """What gas fed into the shut system shows; None where no recording of the batch has any."""

    def for_norms(self) -> pl.DataFrame:
        """Return what each recording tells of its model, as `model_norms.model_norms` takes it, and of its source, as
        `sources.sources_of` does."""
        flow = purge_flow_l_min(self.shown, self.leak, self.volume.known_l, self.air)
        told = {
            "volts_per_pa": clear_slope(self.volts, self.is_derived),
            "rest_v": self.shown.vented.rest_v,
            "rest_pa": self.shown.vented.rest,
            "noise_pa": self.shown.sensor.noise,
            "vapor_rise_pa_s": self.shown.closed.rate,
            "purge_flow_l_min": flow,
            "tank_l": numbers_of(self.headers, "fuel_tank_l"),
            "ullage_l": self.volume.known_l - self.volume.extra_l,
            "duty_pct": duty_of_fall(self.shown),
            "duty_gain_pct": self.shown.draw.mid_duty_gain,
            "is_timed": is_timed(self.shown),
            **heat_told(self.fit, self.beliefs, self.shown, self.leak_mm),
            **vapor_told(self.fit, self.beliefs, self.shown),
            VACUUM_UNDER_OPEN_VENT: vacuum_under_open_vent(self.shown),
            DRAWN_SPAN: drawn_span_pa(self.shown),
            DRAWN_RATE: drawn_rate_pa_s(self.shown),
            VENTED_ZERO: vented_zero_pa(self.shown),
            INTERVAL: self.shown.sensor.interval_s,
        }
        of = models_of(self.headers).with_columns(self.headers["vehicle_id"], source_of(self.headers))
        return of.hstack([pl.Series(name, told[name]) for name in told])


def numbers_of(headers: pl.DataFrame, name: str) -> Floats:
    """Return a column of the headers as numbers, nan where it is missing."""
    if name not in headers.columns:
        return np.full(headers.height, np.nan)
    # A null comes out as nan.
    return headers[name].cast(pl.Float64).to_numpy()
