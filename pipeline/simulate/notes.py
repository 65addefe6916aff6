"""What people write into a job's free text, including what nobody should."""

from __future__ import annotations

import numpy as np

_PLAIN = (
    "Customer states lamp on after refueling.",
    "Confirmed with smoke machine, part on order.",
    "Cleared codes, road test ok.",
    "Fuel smell at left rear wheel.",
    "Vacuum test repeated after the repair.",
    "Verified with scan tool, advised to drive until the monitor runs.",
    "Tank at 21 °C, test repeated.",
    "Corrosion at connector, cleaned and greased.",
)
_READINESS = ("Drove until monitors were ready.", "Monitors not complete, customer told to return.")
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(2)> hose chafed',
    "Robert'); DROP TABLE jobs;-- cap replaced",
    '=HYPERLINK("http://invalid.example","open")',
    "</td></tr></table><b>not bold</b> & &amp; \u202etxet",
    'two lines\nand a ; semicolon | and a "quote"',
)


def draw_notes(
    rng: np.random.Generator, component: list[str], purpose: list[str], hostile: bool
) -> list[str | None]:
    """Draw a note for two jobs of five; with `hostile`, the hostile ones go to evenly spaced jobs."""
    n = len(component)
    written, pick = rng.random(n) < 0.4, rng.random(n)
    notes: list[str | None] = []
    for i, why in enumerate(purpose):
        menu = _READINESS if why == "readiness" else _PLAIN
        notes.append(menu[int(pick[i] * len(menu))] if written[i] else None)
    if hostile and n >= 10 * len(HOSTILE):
        for k, text in enumerate(HOSTILE):
            notes[(2 * k + 1) * n // (2 * len(HOSTILE))] = text
    return notes
