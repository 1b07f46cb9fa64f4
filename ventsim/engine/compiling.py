"""How the engine's functions are compiled, by who calls them.

The arrays of a run outlive every call, and the engine allocates none, so numba's reference counting is switched
off: it would take more time than the arithmetic.  Hence no slice assignment (``a[i] = b``, which copies) and no
array creation in compiled code; numba refuses both under this option.  (Single records can be assigned.)
"""

from ventsim import compiling

# Called by Python, and by others too.
entry = compiling.compiled(_nrt=False)

# Called by compiled functions only; without a way in from Python they compile much faster.
compiled = compiling.compiled(_nrt=False, no_cpython_wrapper=True, no_cfunc_wrapper=True)

# The smallest ones, which are called more often than their arithmetic is worth a call.
inlined = compiling.compiled(_nrt=False, inline="always")
