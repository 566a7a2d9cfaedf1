"""Array types that all rooms share; what a shape is stands in the docstrings of the functions that take them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Indices = NDArray[np.intp]
Mask = NDArray[np.bool_]
