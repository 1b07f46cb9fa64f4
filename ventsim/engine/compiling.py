"""How the engine's functions are compiled: cached on disk, free of the interpreter lock, IEEE division.

The arrays of a run outlive every call, and the engine allocates none, so numba's reference counting is switched
off: it would take more time than the arithmetic.  Hence no slice assignment (``a[i] = b``, which copies) and no
array creation in compiled code; numba refuses both under this option.  (Single records can be assigned.)
"""

from typing import Any

from numba import njit

_OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}

compiled = njit(**_OPTIONS)

# For the smallest functions, which are called more often than their arithmetic is worth a call.
inlined = njit(inline="always", **_OPTIONS)
