"""Array types that all rooms share; what a shape is stands in the docstrings of the functions that take them.

Kernels are written for these types and no others: a caller from Python casts, so that none is compiled twice. Nor
is it inside a kernel: numba would compile a callee again for an index of another width (a counter of `range` has 64
bits, one of `prange` has no sign, what stands in `Ints` has 32) and for a literal number, so where one callee is given
several of these they are made the same, as in `int(np.int32(i))`. Arrays that go together go in one named tuple; a loop
that is run often takes them out of it first, or numba counts references each time round.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Shorts = NDArray[np.int16]
Bytes = NDArray[np.uint8]
Indices = NDArray[np.intp]
Mask = NDArray[np.bool_]
# A place or a vector inside a kernel: three numbers in registers, which a row of an array would not be.
Point = tuple[float, float, float]
