"""Files that earlier runs read and that are gone: whose rows go with them, and whose stay.

A lake is what it holds now, so the rows of a file that is gone go too: of a file that was renamed nothing is left to
contradict its new self. What looks like a disk that is not mounted is no file that is gone: then the rows stay.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.lake.find import Stock


@dataclass(frozen=True)
class Departed:
    """Lines of `stage.files`: `gone`, whose rows go, and `held`, whose rows stay; `notes` tell why they stay."""

    gone: pl.DataFrame
    held: pl.DataFrame
    notes: list[str]


def part_departed(lake: Path, stock: Stock, known: pl.DataFrame) -> Departed:
    """Part the files of earlier runs that are not there. Reads only.

    Parameters
    ----------
    known : lines of `stage.files` of the previous run.
    """
    missing = known.filter(~pl.col("file").is_in([file.file for file in stock.files]))
    # The same content under another name: moved, whatever became of its old place.
    moved = pl.col("sha256").is_in([file.sha256 for file in stock.files])
    sources = {file.source_id for file in stock.files}
    why = {
        file: reason
        for file in missing.filter(~moved)["file"].to_list()
        if (reason := _why_held(lake, stock, sources, file))
    }
    is_held = pl.col("file").is_in(list(why))
    notes = [
        f"{reason}; the rows of {n} {'file' if n == 1 else 'files'} that earlier runs read there are kept"
        for reason, n in Counter(why.values()).items()
    ]
    return Departed(missing.filter(~is_held), missing.filter(is_held), notes)


def _why_held(lake: Path, stock: Stock, sources: set[str], file: str) -> str:
    """Say why a file that is not there may not be gone; "" where it is."""
    shut = next((place for place in stock.unseen if file == place or file.startswith(f"{place}/")), None)
    if shut:
        return f"{shut}: it cannot be looked into"
    source_id = file.split("/", 1)[0]
    if source_id not in sources:
        return (
            f"{source_id}: the whole source is gone, as when a disk is not mounted (for a result without it, name a new"
            " folder with --out)"
        )
    folder = next(place for place in (lake / file).parents if place.is_dir())
    if not any(folder.iterdir()):
        below = folder.relative_to(lake).as_posix()
        return (
            f"{below}: the folder is empty, as when a disk is not mounted (for a result without it, delete the"
            " folder)"
        )
    return ""
