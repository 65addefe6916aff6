"""The output folder: where a run builds, and how it puts the result in place in one step."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from pipeline.errors import Transient, WrongUsage
from pipeline.full_disk import telling_a_full_disk
from pipeline.steps.claim import LOCK, MARK, refuse_what_is_not_ours

_SAMPLE_FILE = re.compile(r"[0-9a-f]{24}\.parquet(\.part)?")


@dataclass(frozen=True)
class OutFolder:
    """Paths of one output folder. `building` holds a run until it has succeeded."""

    root: Path

    @property
    def warehouse(self) -> Path:
        return self.root / "warehouse.duckdb"

    @property
    def samples(self) -> Path:
        return self.root / "samples"

    @property
    def site(self) -> Path:
        return self.root / "site"

    @property
    def tables(self) -> Path:
        return self.root / "tables"

    @property
    def lake_copy(self) -> Path:
        """What was fetched of a lake in a bucket."""
        return self.root / "lake_copy"

    @property
    def building(self) -> Path:
        return self.root / ".building"

    @property
    def next_warehouse(self) -> Path:
        return self.building / "warehouse.duckdb"

    def put_in_place(self) -> None:
        """Replace warehouse, site and tables by what was built, or none. The warehouse goes last, by one rename."""
        try:
            for name in ("site", "tables"):
                built = self.building / name
                if built.exists():
                    old = self.root / name
                    if old.exists():
                        old.rename(self.building / f"{name}.old")
                    built.rename(old)
            if self.next_warehouse.exists():
                os.replace(self.next_warehouse, self.warehouse)
        except OSError:
            self._take_back()
            raise

    def _take_back(self) -> None:
        for name in ("site", "tables"):
            aside, here = self.building / f"{name}.old", self.root / name
            if aside.exists():
                if here.exists():
                    here.rename(self.building / name)
                aside.rename(here)

    def sweep_samples(self, in_use: set[str]) -> None:
        """Delete sample files of ours that no warehouse names any more."""
        for path in self.samples.iterdir():
            if path.name not in in_use and _SAMPLE_FILE.fullmatch(path.name):
                path.unlink()

    def restore(self) -> None:
        """Put back what an interrupted run had taken aside and not yet replaced; remove what it was building."""
        for name in ("site", "tables"):
            aside = self.building / f"{name}.old"
            if aside.exists() and not (self.root / name).exists():
                aside.rename(self.root / name)
        shutil.rmtree(self.building, ignore_errors=True)


@contextmanager
def building_in(root: Path, lake: Path | None = None) -> Iterator[OutFolder]:
    """Hold the output folder for one run; what was being built is removed, whatever happens.

    Parameters
    ----------
    lake : the lake that is read, which the output must not touch

    Raises
    ------
    WrongUsage : the folder cannot be made or written, lies in the lake, or holds another's files.
    Transient : another run is at work in it.
    DiskFull : there is no room left in it, whatever step met that.
    """
    out = OutFolder(root.resolve())
    refuse_what_is_not_ours(out.root, lake)
    with telling_a_full_disk(out.root):
        yield from _held(out)


def _held(out: OutFolder) -> Iterator[OutFolder]:
    try:
        out.samples.mkdir(parents=True, exist_ok=True)
        lock = (out.root / LOCK).open("a+", encoding="utf-8")
    except OSError as problem:
        raise WrongUsage(
            f"the output folder cannot be written: {problem.strerror}",
            str(out.root),
            "name another with --out",
        ) from problem
    with lock:
        _hold(lock, out.root)
        out.restore()
        held = {path.name for path in out.samples.iterdir()}
        try:
            out.building.mkdir()
            # What fills the disk is told before what was built is removed.
            with telling_a_full_disk(out.root):
                yield out
        finally:
            # A warehouse that was not put in place is the only one that names what it added.
            if out.next_warehouse.exists():
                out.sweep_samples(held)
            out.restore()


def _hold(lock: TextIO, root: Path) -> None:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as problem:
        raise Transient(
            "another run is at work in this output folder", str(root), "wait for it to end, then try again"
        ) from problem
    lock.truncate(0)
    lock.write(MARK)
    lock.flush()
