"""May this folder be filled? A run replaces whole folders of it, so it must be ours, empty, or new."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.errors import EvapfleetError, WrongUsage
from pipeline.lake.folders import as_text
from pipeline.warehouse.store import open_warehouse

#: what a run replaces or deletes
FILLED = ("warehouse.duckdb", "site", "tables", "samples", "lake_copy", ".building")
LOCK = ".lock"
#: first line of a lock that evapfleet made
MARK = "evapfleet fills this folder\n"


def refuse_what_is_not_ours(root: Path, lake: Path | None = None) -> None:
    """Refuse an output folder that lies in the lake, or that holds another's files where a run would put its own.

    Parameters
    ----------
    root : the output folder, resolved; it need not exist
    lake : the lake of the run, which is never changed

    Raises
    ------
    WrongUsage : with the place and what to do.
    """
    if "?" in str(root):
        what = "the database cannot be kept in a folder whose path holds a question mark"
        raise WrongUsage(what, str(root), "name another with --out")
    _refuse_what_is_no_text(root, "the output folder")
    if lake is not None:
        _refuse_what_is_no_text(lake.resolve(), "the lake")
        _refuse_overlap(root, lake.resolve())
    if (root / FILLED[0]).is_dir():
        what = "a folder stands where the warehouse belongs"
        raise WrongUsage(what, str(root / FILLED[0]), "take it away, or name another folder with --out")
    foreign = [name for name in FILLED if _holds_something(root / name)]
    if foreign and not _is_ours(root):
        raise WrongUsage(
            f"the output folder holds {', '.join(foreign)}, which evapfleet did not make and would replace",
            str(root),
            "name a new or empty folder with --out",
        )


def _refuse_what_is_no_text(path: Path, which: str) -> None:
    shown = as_text(str(path))
    if shown.encode("utf-8") != os.fsencode(path):
        raise WrongUsage(f"the path of {which} is not UTF-8", shown, "rename that folder")


def _refuse_overlap(root: Path, lake: Path) -> None:
    if root.is_relative_to(lake):
        raise WrongUsage(
            "the output folder lies inside the lake, and a lake is never changed",
            str(root),
            "name a folder outside the lake with --out",
        )
    over = next((name for name in FILLED if lake.is_relative_to(root / name)), None)
    if over:
        raise WrongUsage(
            f"the lake lies in {over} of the output folder, which a run replaces",
            str(lake),
            "name another output folder with --out",
        )


def _holds_something(path: Path) -> bool:
    return any(path.iterdir()) if path.is_dir() else path.exists()


def _is_ours(root: Path) -> bool:
    """Say whether a run of ours left its mark, or a warehouse of ours was copied here."""
    lock = root / LOCK
    if lock.is_file() and lock.read_text(encoding="utf-8", errors="replace") == MARK:
        return True
    if not (root / FILLED[0]).is_file():
        return False
    try:
        with open_warehouse(root / FILLED[0]) as warehouse:
            return warehouse.has("audit.runs") and warehouse.has("stage.files")
    except EvapfleetError:
        return False
