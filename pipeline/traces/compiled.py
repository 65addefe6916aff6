"""How this floor compiles what runs over samples: machine code, kept on disk, free of Python's lock."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numba import config, njit, types
from numba.extending import intrinsic
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
#: NumPy's zero: of a function that is called with Python's own number, or with a variable that starts as one, a version
#: would be compiled for that very number.
ZERO: Any = np.int64(0)


def place_of(here: Path) -> str:
    """Return a folder for compiled code that belongs to the very sources in `here` and in the physics beside it.

    numba keeps a function's code until the function's own file changes, though what it calls, or a constant of another
    file, is compiled into it: any change here must make all of it anew.
    """
    sources = sorted([*here.glob("*.py"), *(here.parent / "physics").glob("*.py")])
    digest = hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()[:16]
    beside = here / "__pycache__" / f"kernels-{digest}"
    try:
        beside.mkdir(parents=True, exist_ok=True)
    except OSError:
        return str(Path(tempfile.gettempdir()) / f"evapfleet-kernels-{digest}")
    return str(beside)


# numba's stubs lack the settings that its config module has.
if not config.CACHE_DIR:  # type: ignore[attr-defined]
    config.CACHE_DIR = place_of(Path(__file__).resolve().parent)  # type: ignore[attr-defined]


def holds_code(place: Path | None = None) -> bool:
    """Say whether compiled code is kept in `place`; without one, ours: else the next call makes it first."""
    return any((place or Path(config.CACHE_DIR)).rglob("*.nbi"))  # type: ignore[attr-defined]


#: Division by zero gives inf or nan, as in NumPy.
compiled = njit(cache=True, nogil=True, error_model="numpy")
#: The same where a product and a sum may be rounded at once, or not, as the machine can: not where times are compared,
#: for on a tie a sample would belong to one stretch here and to another there.
fused = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
#: The same where sums may also be taken in any order, so that several terms are added at once.
summing = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})


def _of_two(sign: str) -> Any:
    def choose(_: Any, one: Any, other: Any) -> Any:
        def build(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
            is_one = builder.fcmp_ordered(sign, *values, flags=_NO_NAN)
            return builder.select(is_one, *values, flags=_NO_NAN)

        return types.float64(types.float64, types.float64), build

    return intrinsic(choose)


#: The lesser and the greater of two numbers, neither of which is nan: knowing that, the compiler compares several at
#: once, which it does not for `min`, `max` and a choice by `if`.
_NO_NAN = ("nnan", "nsz")
lesser, greater = _of_two("<"), _of_two(">")


@compiled
def put(table: Floats, row: int, values: tuple[float, ...]) -> None:
    """Fill a row of a table with what a named tuple of numbers tells, a column for each of its fields."""
    for j in range(len(values)):
        table[row, j] = values[j]
