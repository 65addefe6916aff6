"""Does the size that a trouble code speaks of agree with the leaks that are found under it?"""

from __future__ import annotations

from typing import Any

from reports import words
from reports.pages import cells
from reports.pages.page import Section, table
from reports.pages.run import Run

QUESTION = "Is the leak as large as the code says?"
WORDS = {
    "agrees": "agrees",
    "smaller": "mostly smaller",
    "larger": "mostly larger",
    "cannot_say": "cannot say",
}
HOW = (
    "P0456 is customarily read as a leak of at least 0.020 in (0.508 mm), P0442 as one of at least 0.040 in"
    " (1.016 mm): the leaks that 13 CCR 1968.2(e)(4.2.2) asks a monitor to find. Other codes name no size.",
    "Agrees: surely more than half of the leaks are at or over the code's size and under that of the next larger"
    " code. Mostly smaller or larger: surely more than half are under it, or at or over the next one. Surely: by the"
    " bounds of the share.",
)
LEFT_OUT = (
    "Recordings after a repair and routine ones. A recording with several codes counts under each.",
    "The sizes rest on the discharge coefficient told above; at 0.75 every one of them would be 11% smaller.",
)


def code_sizes(sizes: list[dict[str, Any]], run: Run) -> Section:
    """Hold the nominal size of each code against `mart.leak_size` by trouble code."""
    named = [s for s in sizes if s["by"] == "trouble_code" and s["nominal_mm"] is not None]
    if not named:
        return Section(
            "codes", QUESTION, ("Not known: no recording with a size belongs to a code that names one.",)
        )
    lines = table(
        f"Codes that name a size, with {run.level_text} intervals",
        (
            ("Code", lambda s: cells.text(s["group"])),
            ("Recordings", lambda s: cells.count(s["n_traces"])),
            ("Speaks of at least, mm", lambda s: cells.number(s["nominal_mm"])),
            ("At or over that", lambda s: cells.bounded(*_share_over(s), write=words.share)),
            ("Median, mm", lambda s: cells.bounded(s["median_mm"], s["median_low_mm"], s["median_high_mm"])),
            ("Agreement", lambda s: cells.text(WORDS.get(s["nominal_agreement"], words.MISSING))),
        ),
        named,
        "mart.leak_size",
        limit=len(named),
        opened=True,
    )
    return Section(
        "codes", QUESTION, tuple(map(_sentence, named)), grids=(lines,), how=HOW, left_out=LEFT_OUT, wide=True
    )


def _share_over(s: dict[str, Any]) -> tuple[float | None, float | None, float | None]:
    return s["share_over_nominal"], s["share_over_nominal_low"], s["share_over_nominal_high"]


def _sentence(s: dict[str, Any]) -> str:
    code = f"{s['group']}, {words.number(s['nominal_mm'])} mm and more"
    if s["nominal_agreement"] is None:
        return f"{code}: {words.plural(s['n_traces'], 'recording')}, too few to say."
    told = {
        "agrees": "the code agrees with what is found",
        "smaller": "most leaks found under it are smaller",
        "larger": "most leaks found under it are larger than it speaks of",
        "cannot_say": "the recordings do not settle whether most leaks are so large",
    }[s["nominal_agreement"]]
    return (
        f"{code}: {told}; {words.bounded_share(*_share_over(s))} of"
        f" {words.plural(s['n_traces'], 'recording')} are at or over that size."
    )
