"""What is believed of a tank's vapor before its hold is read: from the closed phase, and from tanks in general."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.physics.vapor import heat_share, vapor_share
from pipeline.traces.air import Air
from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.shows import Closed

#: Vapor of a tank about which nothing was recorded [Pa/s], at 20 °C.
USUAL_RATE_PA_S, USUAL_RATE_SD_PA_S = 2.0, 3.0
#: A closed phase that falls may be gas that cools, which ends within a minute: so much of its fall may end in the hold.
_FALL_ENDS = 0.6
#: Below the usual rate lie tanks without vapor and tanks that cool, by 1.5 Pa/s (see signs.FALLS_PA_S): two of these.
_COOLING_SD = 1.75
#: Under vacuum rates lie farther above the usual one than below it: by two of these, one tank in forty gives more than
#: 13 Pa/s at 20 °C, its fuel being warm, or the gas above it far from saturated; such fuel also gives back fast.
_MOST_RATE_SD = 5.5
#: Vapor pressure of gasoline rises by 3.5 % per K (slope of the AP-42, chapter 7.1, equation about 20 °C); fuel follows
#: the ambient by a part of it (judgement), within bounds.
_PER_K = 0.02
_SCALE_BOUNDS = (0.7, 3.0)
#: A closed phase that lies so many of its own standard deviations off the usual speaks against that.
_TAIL = 2.0
_NO_CLOSED_SD = 1e3
#: The time [s] in which fuel restores the vapor that was taken out: forty minutes, give or take a factor (judgement).
#: With the share of vapor in the gas at 20 °C that is 0.15 Pa/s per kPa. Gas that is stirred or shallow has it back
#: within three minutes: two of the last.
GIVEN_BACK_S = 2200.0
GIVEN_BACK_SD = 1.4
_MOST_GIVEN_BACK_SD = 5.5
#: How far the share of the heat exchange that is seen may lie from that of a well stirred gas: fuels from 7 to 13 psi,
#: half to fully saturated, are 0.1 of it; the rest is cold that stays near the outlet (judgement).
_HEAT_SHARE_SD = 0.2
#: Logarithm of the time constant of heat between walls and gas, _USUAL_GAS_L of it [s]. Gas at rest, a kelvin colder
#: than the walls, takes half a minute and more (natural convection at 2 to 5 W/m2 K, from memory), a third of it where
#: a quick draw stirred it. It goes with volume over area, the volume's third root; warmth leaves it as it is. The lakes
#: of eleven other authors came to 7 to 31 s; one whose gas is slow says so itself.
_LOG_TAU, _LOG_TAU_SD = float(np.log(12.0)), 0.8
_USUAL_GAS_L = 40.0


@dataclass(frozen=True)
class Beliefs:
    """What is known of the vapor before the hold is read; one element per trace.

    usual, usual_sd, usual_sd_below : vapor rate of any tank [Pa/s], and its spread above and below that.
    closed, closed_sd : what the closed phase showed [Pa/s], which is that rate less what a leak let out at the pressure
    `closed_above`, known to `closed_above_sd` [Pa].
    under_vacuum, under_vacuum_sd : b [1/s].
    heat, heat_sd : share of the heat exchange that is seen. log_tau, log_tau_sd : logarithm of the time constant of
    heat between gas and walls [s].
    most_sd, under_most_sd : spreads of the rate and of b above, by which bounds are drawn. The fit keeps to the middle
    of what tanks give, which lies far below what some of them give. given_back : the part of `under_vacuum` that is
    vapor which the draw took out [1/s]; 0 under pressure.
    """

    usual: Floats
    usual_sd: Floats
    usual_sd_below: Floats
    closed: Floats
    closed_sd: Floats
    closed_above: Floats
    closed_above_sd: Floats
    under_vacuum: Floats
    under_vacuum_sd: Floats
    heat: Floats
    heat_sd: Floats
    log_tau: Floats
    log_tau_sd: Floats
    most_sd: Floats
    under_most_sd: Floats
    given_back: Floats

    @property
    def arrays(self) -> tuple[Floats, ...]:
        """What the fit takes, in the order in which `hold_believed` takes it apart."""
        return (
            *(self.usual, self.usual_sd, self.usual_sd_below),
            *(self.closed, self.closed_sd, self.closed_above, self.closed_above_sd),
            *(self.under_vacuum, self.under_vacuum_sd),
            *(self.heat, self.heat_sd, self.log_tau, self.log_tau_sd),
        )

    def vapor_sd(self, vapor: Floats, middle: Floats) -> Floats:
        """Return the spread that the fit believed of the vapor [Pa/s] under a vacuum `middle` [Pa], the rate being
        `vapor` [Pa/s]."""
        usual_sd = np.where(vapor < self.usual, self.usual_sd_below, self.usual_sd)
        return np.hypot(_both(usual_sd, self.closed_sd), self.under_vacuum_sd * middle)

    def most_vapor_sd(self, middle: Floats) -> Floats:
        """Return how much more than believed the vapor [Pa/s] under a vacuum `middle` [Pa] may be."""
        return np.hypot(_both(self.most_sd, self.closed_sd), self.under_most_sd * middle)


def heat_of_gas(air: Air, volume_l: Floats | float) -> tuple[Floats, Floats]:
    """Return the share of the heat exchange that the pressure shows, and the logarithm of its time constant [s], of so
    much gas [l]."""
    log_tau = _LOG_TAU + np.log(volume_l / _USUAL_GAS_L) / 3
    return heat_share(air.temperature_c, air.pressure_pa), log_tau


def _both(sd: Floats, other: Floats) -> Floats:
    return sd * other / np.hypot(sd, other)


def vapor_beliefs(
    closed: Closed, zero_sd: Floats, is_pressure_test: Flags, air: Air, volume_l: Floats
) -> Beliefs:
    """Return what the closed phase says of the vapor in the hold.

    Parameters
    ----------
    closed, zero_sd, is_pressure_test : as read from the traces.
    volume_l : of the gas [l].

    Vapor comes faster under vacuum than in the closed phase, by a part that nobody knows beforehand; without a
    closed phase the rate may be anything from 0 to several Pa/s. Air that is filled in leaves the vapor its own partial
    pressure, so that as much comes as before. The numbers are judgement, not a source.
    """
    scale = np.clip(np.exp(_PER_K * (air.temperature_c - 20)), *_SCALE_BOUNDS)
    usual, usual_sd = USUAL_RATE_PA_S * scale, USUAL_RATE_SD_PA_S * scale
    known = np.isfinite(closed.rate) & np.isfinite(closed.rate_sd)
    seen = np.where(known, closed.rate, usual)
    scatter2 = np.where(known, np.nan_to_num(closed.rate_sd), _NO_CLOSED_SD) ** 2
    # Some tanks give far more than usual: where the closed phase shows that one does, the usual is no guide to it.
    surprise = np.maximum(np.abs(seen - usual) - _TAIL * np.sqrt(scatter2), 0)
    usual_sd, below = np.hypot(usual_sd, surprise), np.hypot(_COOLING_SD, surprise)
    likely = (seen * usual_sd**2 + usual * scatter2) / (usual_sd**2 + scatter2)
    rate = np.maximum(likely, 0)
    above = np.where(known, np.nan_to_num(closed.above), 0.0)
    closed_sd = np.sqrt(scatter2 + (0.15 * rate + 0.1) ** 2 + (_FALL_ENDS * np.minimum(seen, 0)) ** 2)
    # Drawing the gas of a tank down by dp takes share x dp of vapor out of it, which the fuel gives back in time,
    # whatever it did before; filling it takes none.
    given_back = vapor_share(air.temperature_c, air.pressure_pa) / GIVEN_BACK_S
    under = np.where(is_pressure_test, 0.0, given_back + 0.3 * rate / 2500)
    under_sd = np.hypot(GIVEN_BACK_SD * given_back, (0.3 * rate + 0.15) / 2500)
    heat, log_tau = heat_of_gas(air, volume_l)
    heat_sd, log_tau_sd = (np.full(len(zero_sd), x) for x in (_HEAT_SHARE_SD, _LOG_TAU_SD))
    # The closed phase's own level is no better known than the zero that it is read from.
    above_sd = np.sqrt(2) * zero_sd
    most_sd = np.where(is_pressure_test, usual_sd, np.hypot(_MOST_RATE_SD * scale, surprise))
    under_most_sd = np.where(is_pressure_test, 0.0, _MOST_GIVEN_BACK_SD * given_back)
    return Beliefs(
        *(usual, usual_sd, below, seen, closed_sd, above, above_sd, under, under_sd),
        *(heat, heat_sd, log_tau, log_tau_sd),
        most_sd=most_sd,
        under_most_sd=np.maximum(under_most_sd, under_sd),
        given_back=np.where(is_pressure_test, 0.0, given_back),
    )
