"""How likely each story is, and what spoke against the others, as a technician would say it."""

from __future__ import annotations

import numpy as np

from pipeline.traces.evidence import STORY_TOLD
from pipeline.traces.measured import Measured
from pipeline.traces.stories import GROSS, HOLDS, LEAK, NAMES, NO_VACUUM, SIGNS, STORIES

#: Stories are named while they are likelier than this, and two at the least.
_WORTH_NAMING = 0.02
_MOST_NAMED = 3
#: Against a story that is as likely as this nothing is said: it competes.
_COMPETES = 0.05
#: A contradiction counts from so many nats on: e to the 2 is 7 to 1.
_SPEAKS_NATS = 2.0
#: What a recording shows, sign by sign, where a story says that it should not; and where it should and is not seen.
_SEEN = {
    "disagrees": "volts and pressure do not go together",
    "silent": "the reading does not answer the commands",
    "falls": "vacuum grew with vent and purge shut",
    "restricted": "vacuum stayed, or built, with the vent open",
    "offset": "the vented sensor reads off zero",
}
_NOT_SEEN = {
    "disagrees": "volts and pressure are not seen to part",
    "silent": "the reading answers the commands",
    "falls": "no vacuum grew with vent and purge shut",
    "restricted": "no vacuum stayed with the vent open",
    "offset": "the vented sensor is not seen off zero",
}


def weigh_in_words(m: Measured, k: int) -> tuple[list[str], list[str]]:
    """Return a sentence with the likeliest stories of recording k, and one with what spoke against the others; none
    where no story was weighed, or nothing spoke against any."""
    if not m.judgement.is_weighed[k]:
        return [], []
    likely = m.judgement.told.probability[k]
    order = np.argsort(-likely, kind="stable").tolist()
    named = order[:2] + [j for j in order[2:_MOST_NAMED] if likely[j] > _WORTH_NAMING]
    told = [f"{STORY_TOLD[NAMES[j]]} ({percent(likely[j])})" for j in named]
    likeliest = [f"Likeliest of {len(NAMES)} stories: {told[0]}; then {', then '.join(told[1:])}."]
    against = _against(m, k, order[0], [j for j in range(len(NAMES)) if likely[j] < _COMPETES])
    return likeliest, ["Against the others: " + "; ".join(against) + "."] if against else []


def percent(share: float) -> str:
    """Write a probability; none is ever sure."""
    return "over 99%" if share > 0.99 else "under 1%" if share < 0.01 else f"{share:.0%}"


def _against(m: Measured, k: int, best: int, others: list[int]) -> list[str]:
    """Group other stories by what spoke against them most; what the best story suffers as well tells nothing."""
    paid = m.judgement.told.paid[k]
    reasons: dict[str, list[str]] = {}
    for j in others:
        more = paid[j] - paid[best]
        sign = int(np.argmax(more))
        if more[sign] >= _SPEAKS_NATS:
            words = _NOT_SEEN if STORIES[NAMES[j]][1][sign] > 0 else _SEEN
            reason = words[SIGNS[sign]]
        else:
            reason = _by_vacuum_or_fit(m, k, j, best)
        if reason:
            reasons.setdefault(reason, []).append(STORY_TOLD[NAMES[j]])
    return [
        f"{reason} (every other story)"
        if len(stories) == len(NAMES) - 1
        else f"{reason} (not: {', '.join(stories)})"
        for reason, stories in reasons.items()
    ]


def _by_vacuum_or_fit(m: Measured, k: int, story: int, best: int) -> str:
    """Say what speaks against a story that no sign contradicts more: the vacuum, or the fitted hold."""
    signs, chance = m.judgement.signs, m.sizes.chance_of_leak[k]
    if {story, best} == {HOLDS, LEAK} and np.isfinite(m.taken.fit.leak[k]):
        leaks = f"by the shape of the hold a hole is {percent(chance)} likely"
        return leaks if (chance > 0.5) == (story == HOLDS) else ""
    if not signs.has_draw[k]:
        return ""
    if story == NO_VACUUM and signs.arrives[k] > 0:
        return "vacuum arrived"
    if story == GROSS and signs.arrives[k] > 0 and signs.gone[k] < 0:
        return "the vacuum was not gone when the purge shut"
    if story in (HOLDS, LEAK) and signs.arrives[k] < 0:
        return "hardly any vacuum arrived"
    if story in (HOLDS, LEAK) and signs.gone[k] > 0:
        return "the vacuum was gone when the purge shut"
    return ""
