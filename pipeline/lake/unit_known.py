"""Does a source say the units of its measured columns? Asked of the headers, before anything is read."""

from __future__ import annotations

from collections import defaultdict

from pipeline.errors import FileUnreadable, UnitUnknown, WrongUsage
from pipeline.lake.columns import lay_out
from pipeline.lake.find import LakeFile, Stock
from pipeline.lake.open_file import first_block
from pipeline.lake.source_form import KindForm


def stop_without_units(stock: Stock) -> None:
    """Stop where every file of one kind of a source would be refused for a measured column without a known unit.

    Reads headers only, of each kind of a source until one is found whose units are known. A file that cannot be read
    says nothing; one without units among others that have them is refused by itself.

    Raises
    ------
    WrongUsage : naming each such kind, a file of it, its column and the units to choose from.
    """
    by_kind: dict[tuple[str, str], list[LakeFile]] = defaultdict(list)
    for file in stock.files:
        by_kind[file.source_id, file.kind].append(file)
    found = [
        (source_id, kind, problem)
        for (source_id, kind), files in sorted(by_kind.items())
        if (problem := _first_without_unit(files, stock.forms[source_id].of(kind)))
    ]
    if found:
        raise WrongUsage(
            "The units of a source are not known, and a guess would change every number:\n"
            + "\n".join(f"  - {kind} of {source_id}: {problem.what}" for source_id, kind, problem in found),
            "; ".join(problem.where for _, _, problem in found),
            " ".join(dict.fromkeys(problem.todo for _, _, problem in found)),
        )


def _first_without_unit(files: list[LakeFile], form: KindForm) -> UnitUnknown | None:
    """Return what the first file without a known unit says; None where a header has them all, or none can be read."""
    first: UnitUnknown | None = None
    for file in files:
        try:
            layout = lay_out(first_block(file, form).header, form, set(), file.file)
        except UnitUnknown as problem:
            first = first or problem
            continue
        except FileUnreadable:
            continue
        if layout.columns:
            return None
    return first
