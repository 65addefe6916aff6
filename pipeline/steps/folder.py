"""The output folder: where a run builds, and how it puts the result in place in one step."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Transient, WrongUsage


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
    def building(self) -> Path:
        return self.root / ".building"

    @property
    def next_warehouse(self) -> Path:
        return self.building / "warehouse.duckdb"

    def put_in_place(self) -> None:
        """Replace warehouse, site and tables by what was built. The warehouse goes last, by one rename."""
        for name in ("site", "tables"):
            built = self.building / name
            if built.exists():
                old = self.root / name
                aside = self.building / f"{name}.old"
                if old.exists():
                    old.rename(aside)
                built.rename(old)
        if self.next_warehouse.exists():
            os.replace(self.next_warehouse, self.warehouse)

    def sweep_samples(self, in_use: set[str]) -> None:
        """Delete sample files that no warehouse names any more."""
        for path in self.samples.glob("*.parquet"):
            if path.name not in in_use:
                path.unlink()


@contextmanager
def building_in(root: Path) -> Iterator[OutFolder]:
    """Hold the output folder for one run; what was being built is removed, whatever happens.

    Raises
    ------
    WrongUsage : the folder cannot be made or written.
    Transient : another run is at work in it.
    """
    out = OutFolder(root.resolve())
    try:
        out.samples.mkdir(parents=True, exist_ok=True)
        lock = (out.root / ".lock").open("w")
    except OSError as problem:
        raise WrongUsage(
            f"the output folder cannot be written: {problem.strerror}",
            str(out.root),
            "name another with --out",
        ) from problem
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as problem:
            raise Transient(
                "another run is at work in this output folder",
                str(out.root),
                "wait for it to end, then try again",
            ) from problem
        shutil.rmtree(out.building, ignore_errors=True)
        out.building.mkdir()
        try:
            yield out
        finally:
            shutil.rmtree(out.building, ignore_errors=True)
