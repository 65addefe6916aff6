"""How this floor compiles what runs over samples: machine code, kept on disk, free of Python's lock."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Division by zero gives inf or nan, as in NumPy.
compiled = njit(cache=True, nogil=True, error_model="numpy")
