"""How the engine's functions are compiled: cached on disk, free of the interpreter lock, IEEE division."""

from numba import njit

compiled = njit(cache=True, nogil=True, error_model="numpy")

# For the smallest functions, which are called more often than their arithmetic is worth a call.
inlined = njit(cache=True, nogil=True, error_model="numpy", inline="always")
