"""What each physical story predicts of a recording, and how likely each is after what was recorded.

A story says of each sign (`signs.Signs`) that it is there, that it is not, or nothing. It pays for a sign that
contradicts it as a normal law would: half the square of the distance, in tolerances. What is told apart by more than a
sign has a likelihood of its own: a leak from a tight tank by the fitted hold (`sizes`), "nothing arrives" from "nothing
holds" by the creep of the shut tank.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, reduce

import numpy as np

from pipeline.traces.compiled import Floats, Ints
from pipeline.traces.readings import Shown
from pipeline.traces.signs import FALLS_PA_S, LEAST_RELEASE_S, Signs, effect_error
from pipeline.traces.sizes import Sizes
from pipeline.traces.tolerance import both, either, fact

SIGNS = ("disagrees", "silent", "falls", "restricted", "offset")
#: How common each story is among recorded tests (judgement; a sign that is surely there outweighs it by far), and what
#: it says of SIGNS: 1 there, -1 not there, 0 nothing. A sensor that disagrees says nothing of what its pressure shows;
#: a valve that passes lets a tank do anything but hold.
STORIES: dict[str, tuple[float, tuple[int, ...]]] = {
    "holds": (0.36, (-1, -1, -1, -1, -1)),
    "leak": (0.24, (-1, -1, -1, -1, -1)),
    "gross_leak": (0.07, (-1, -1, -1, -1, -1)),
    "no_vacuum": (0.07, (-1, -1, -1, -1, -1)),
    "purge_passes_closed": (0.05, (-1, -1, 1, 0, 0)),
    "vent_restricted": (0.06, (-1, -1, -1, 1, 0)),
    "sensor_flat": (0.05, (-1, 1, 0, 0, 0)),
    "sensor_offset": (0.05, (-1, -1, -1, -1, 1)),
    "sensor_disagrees": (0.05, (1, 0, 0, 0, 0)),
}
NAMES = tuple(STORIES)
HOLDS, LEAK, GROSS, NO_VACUUM, PASSES, RESTRICTED, FLAT, OFFSET, DISAGREES = range(len(NAMES))
#: Creep of a shut tank without vacuum [Pa/s]: weights, means and standard deviations of what fuel does to it, from
#: one that stood overnight to warm and, rarely, hot ones, and cooling (judgement: vapor pressure of gasoline, some
#: K/h).
CREEPS = (
    (0.2, 0.04, 0.07),
    (0.17, 0.4, 0.4),
    (0.34, 2.0, 1.5),
    (0.14, 6.0, 4.0),
    (0.02, 20.0, 25.0),
    (0.13, -0.8, 0.6),
)
#: What the reading of a tank that stands open does [Pa/s]: weights and standard deviations of a steady sensor, with the
#: weather, and of one that drifts; and the most that a valve passes (judgement).
OPEN_CREEPS = ((0.9, 0.02), (0.1, 0.15))
PASSES_MOST_PA_S = 150.0
#: What crept in a shut tank goes when the vent opens: weights and errors [share], for fuel that crept evenly or not; by
#: the weight that is left the vent lets nothing go. What drifts stays. Wind and slosh move an open tank's level by
#: LEVEL_PA [Pa] (judgement).
LET_GO = ((0.7, 0.35), (0.1, 1.0))
LEVEL_PA = 2.0
#: A release makes neither more than a thousand times as likely as the other.
LEAST_SHARE = 1e-3
#: A leak's decay can be read. One that is over before a late sensor could have shown it tells no upper end: that is
#: beyond so many times the size, and such a decay is nearly three times as likely a gross leak's (judgement).
NO_END, UNREAD_NATS = 4.0, 1.0
#: Openings through which no vacuum builds [mm], from sizes that a draw still shows to a filler neck without cap, even
#: by logarithm; and the dip [Pa] that a purge of 5 l/min (60 l drawn to 2.5 kPa in some 18 s) leaves behind each:
#: half the density of air times the square of the speed through 0.61 of the opening.
OPENINGS_MM = np.geomspace(3.0, 30.0, 12)
OPENING_DIPS_PA = 0.5 * 1.2 * (5e-3 / 60 / (0.61 * np.pi / 4 * (OPENINGS_MM / 1000) ** 2)) ** 2


@dataclass(frozen=True)
class Told:
    """Probability of each story (recordings x NAMES), and what is shown of SIGNS (recordings x SIGNS)."""

    probability: Floats
    shows: Floats

    @cached_property
    def paid(self) -> Floats:
        """What each story paid for contradicted signs [nats] (recordings x NAMES x SIGNS)."""
        says = np.array([said for _, said in STORIES.values()])
        return _paid(says[None, :, :] * self.shows[:, None, :])

    @cached_property
    def best(self) -> np.ndarray:
        return np.argmax(self.probability, axis=1)

    @cached_property
    def second(self) -> np.ndarray:
        return np.argsort(self.probability, axis=1)[:, -2]

    @cached_property
    def second_confidence(self) -> Floats:
        return np.take_along_axis(self.probability, self.second[:, None], axis=1)[:, 0]

    @cached_property
    def confidence(self) -> Floats:
        return np.take_along_axis(self.probability, self.best[:, None], axis=1)[:, 0]


def compare_stories(signs: Signs, shown: Shown, sizes: Sizes) -> Told:
    """Weigh every story of each recording."""
    shows = [getattr(signs, name) for name in SIGNS]
    score = np.stack([np.log(share) - _of_signs(shows, says) for share, says in STORIES.values()])
    for story, pays in _of_vacuum(signs).items():
        score[story] += pays
    asked, likely = _of_creep(signs, shown)
    score[:, asked] += likely
    chance = np.clip(sizes.chance_of_leak, 1e-9, 1 - 1e-9)
    score[HOLDS] += np.log(1 - chance)
    with np.errstate(invalid="ignore"):
        has_no_end = sizes.high > NO_END * sizes.diameter
    score[LEAK] += np.log(chance) - np.where(has_no_end, UNREAD_NATS, 0.0)
    weight = np.exp(score - score.max(axis=0)).T.copy()
    return Told(weight / weight.sum(axis=1, keepdims=True), np.stack(shows, axis=1))


def _of_signs(shows: list[Floats], says: tuple[int, ...]) -> Floats:
    """Return what a story pays for the signs that contradict it [nats]."""
    pays = (_paid(said * shown) for shown, said in zip(shows, says, strict=True) if said)
    return reduce(np.add, pays)


def _paid(agreement: Floats) -> Floats:
    """Return what is paid for a sign that agrees so far with what was said of it, in tolerances [nats]."""
    return 0.5 * np.minimum(agreement, 0) ** 2


def _of_vacuum(signs: Signs) -> dict[int, Floats]:
    """Return what stories pay for vacuum that arrives, or does not, stays or is gone [nats]."""
    built = both(signs.arrives, -signs.hardly_any, -signs.gone)
    predicted = {
        LEAK: built,
        HOLDS: both(built, -signs.lost),
        # Where nothing is seen to arrive there is nothing to be gone.
        GROSS: both(either(signs.gone, -signs.arrives), -signs.stays, fact(signs.has_test)),
        NO_VACUUM: both(either(-signs.arrives, signs.stays), fact(signs.has_draw)),
    }
    # Without a test nothing was predicted.
    return {story: np.where(signs.has_test, -_paid(sign), 0.0) for story, sign in predicted.items()}


def _of_creep(signs: Signs, shown: Shown) -> tuple[Ints, Floats]:
    """Return the recordings in which no vacuum arrives that would hide the shut tank's creep, and how likely it is in
    each story (NAMES x these) [nats].

    A tank that stands open and a dead sensor do not creep, and what their readings drift the vent does not take back;
    a valve that passes takes the pressure down, at any rate from what cooling does to PASSES_MOST_PA_S, and where it
    rises all the same, fuel does that as in any shut tank; in every other story the tank is shut.
    """
    creep, sd = shown.draw.creep, shown.draw.creep_sd
    is_asked = (signs.arrives_plainly < 0) & np.isfinite(creep) & np.isfinite(sd) & signs.has_draw
    asked = np.flatnonzero(is_asked)
    creep, sd = creep[asked], sd[asked]
    still = sum(w * _normal(creep, 0.0, np.hypot(spread, sd)) for w, spread in OPEN_CREEPS)
    shut = sum(w * _normal(creep, mean, np.hypot(spread, sd)) for w, mean, spread in CREEPS)
    density = np.tile(shut, (len(NAMES), 1))
    density[GROSS] = still * np.where(signs.arrives[asked] < 0, _of_unseen_dip(shown, asked), 1.0)
    density[FLAT] = still
    falling = 1 / (np.maximum(-creep, FALLS_PA_S) * np.log(PASSES_MOST_PA_S / FALLS_PA_S))
    density[PASSES] = np.where(creep > 0, np.minimum(falling, shut), falling)
    crept, drifted = _of_release(shown, asked)
    density *= crept
    density[[GROSS, FLAT]] *= drifted / crept
    return asked, np.log(np.maximum(density, 1e-9))


def _of_release(shown: Shown, k: Ints) -> tuple[Floats, Floats]:
    """Return the density of what the vent let go [1/Pa] if the tank had crept, and if its reading had drifted; 1 and 1
    where no release was recorded, or neither let so much go."""
    release, sensor = shown.release, shown.sensor
    # Levels are means over a second or two; between a sensor's steps noise carries them, or nothing does.
    per_level = np.minimum(1.5 * np.nan_to_num(sensor.interval_s), 1.0)
    sd = np.sqrt(sensor.sd**2 * per_level + (0.3 * np.nan_to_num(sensor.step)) ** 2 + LEVEL_PA**2)[k]
    with np.errstate(invalid="ignore"):
        let_go = (release.from_above * (1 - release.left))[k]
    shut_s = sum(np.nan_to_num(part.seconds[k]) for part in (shown.closed, shown.draw, shown.hold))
    crept_pa = shown.draw.creep[k] * shut_s
    drifted = _normal(let_go, 0.0, sd)
    gone = sum(w * _normal(let_go, crept_pa, np.hypot(share * crept_pa, sd)) for w, share in LET_GO)
    crept = gone + (1 - sum(w for w, _ in LET_GO)) * drifted
    # What is as far from one as from the other tells nothing: another thing let the pressure go.
    likelier = np.maximum(crept, drifted)
    is_told = np.isfinite(let_go) & (release.seconds[k] >= LEAST_RELEASE_S) & (likelier > 0)
    crept, drifted = (np.maximum(density, LEAST_SHARE * likelier) for density in (crept, drifted))
    return np.where(is_told, crept, 1.0), np.where(is_told, drifted, 1.0)


def _of_unseen_dip(shown: Shown, k: Ints) -> Floats:
    """Return how much likelier the draw's effect is behind an opening of any size than where nothing arrives.

    A dip that noise hides is none that was missing: a cap that is off leaves less than a tenth of a pascal. No more
    than 1, since a dip that is seen counts as `arrives`.
    """
    effect, sd = shown.draw.effect[k, None], effect_error(shown)[k, None]
    with np.errstate(all="ignore"):
        ratio = np.exp(0.5 * ((effect / sd) ** 2 - ((effect + OPENING_DIPS_PA) / sd) ** 2)).mean(axis=1)
    return np.minimum(np.nan_to_num(ratio, nan=1.0), 1.0)


def _normal(x: Floats, mean: Floats | float, sd: Floats) -> Floats:
    with np.errstate(all="ignore"):
        return np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
