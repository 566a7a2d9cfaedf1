"""Array types that all rooms share; what a shape is stands in the docstrings of the functions that take them.

Kernels are written for these types and no others: a caller from Python casts, so that none is compiled twice.
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
