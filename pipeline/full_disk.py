"""Is it the disk that is full? Whatever ran into it says so in its own words; the user is told one thing."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import EvapfleetError, Transient

NUMBERS = (errno.ENOSPC, errno.EDQUOT)
#: How libraries that keep no error number pass it on: the system's words (polars, DuckDB), and DuckDB's own limit for
#: what it writes to disk while it works, which is the room that the disk has.
WORDS = ("No space left on device", "Disk quota exceeded", "max_temp_directory_size")


class DiskFull(Transient):
    """A disk has no room left for what a run writes."""


@contextmanager
def telling_a_full_disk(folder: Path) -> Iterator[None]:
    """Let a full disk be told as such, whatever it was met in; every other error passes as it is.

    Parameters
    ----------
    folder : in which the work writes; what free room is told of.

    Raises
    ------
    DiskFull : the disk was full.
    """
    try:
        yield
    except DiskFull:
        raise
    except Exception as problem:
        if is_of_a_full_disk(problem):
            raise _told(folder) from problem
        raise


def is_of_a_full_disk(problem: BaseException) -> bool:
    """Say whether an error, or what caused it, is that of a disk without room."""
    causes, seen = [problem], set[int]()
    while causes:
        each = causes.pop()
        if id(each) in seen:
            continue
        seen.add(id(each))
        if isinstance(each, OSError) and each.errno in NUMBERS:
            return True
        # What we say ourselves may quote a record, which may hold anything.
        if not isinstance(each, EvapfleetError) and any(word in str(each) for word in WORDS):
            return True
        causes += [cause for cause in (each.__cause__, each.__context__) if cause]
    return False


def _told(folder: Path) -> DiskFull:
    here = next((place for place in (folder, *folder.parents) if place.exists()), Path("/"))
    room = shutil.disk_usage(here)
    return DiskFull(
        "the disk is full",
        f"{folder}, with {_size(room.free)} free of {_size(room.total)}",
        "make room there, or name a folder on another disk, then run again;"
        " nothing of the previous run was changed",
    )


def _size(n_bytes: int) -> str:
    for unit, size in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if n_bytes >= size:
            return f"{n_bytes / size:.1f} {unit}"
    return f"{n_bytes} bytes"
