"""Does the size that a trouble code speaks of agree with the leaks that are found under it?"""

from __future__ import annotations

from typing import Any

from reports import words
from reports.pages import cells
from reports.pages.page import Row, Section, grid
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
    heads = ("Code", "Recordings", "Speaks of at least, mm", "At or over that", "Median, mm", "Agreement")
    lines = grid(
        f"Codes that name a size, with {run.level_text} intervals",
        heads,
        (_row(s) for s in named),
        "mart.leak_size",
        limit=len(named),
        opened=True,
    )
    return Section(
        "codes", QUESTION, tuple(map(_sentence, named)), grids=(lines,), how=HOW, left_out=LEFT_OUT, wide=True
    )


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
    share = (s[f"share_over_nominal{end}"] for end in ("", "_low", "_high"))
    return (
        f"{code}: {told}; {words.bounded_share(*share)} of"
        f" {words.plural(s['n_traces'], 'recording')} are at or over that size."
    )


def _row(s: dict[str, Any]) -> Row:
    return Row(
        (
            cells.text(s["group"]),
            cells.count(s["n_traces"]),
            cells.number(s["nominal_mm"]),
            cells.bounded(
                *(s[f"share_over_nominal{end}"] for end in ("", "_low", "_high")), write=words.share
            ),
            cells.bounded(s["median_mm"], s["median_low_mm"], s["median_high_mm"]),
            cells.text(WORDS.get(s["nominal_agreement"], words.MISSING)),
        )
    )
