"""A fitted surface on its way to becoming a feature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.features.fitting.least_squares import Fit
from pipeline.surfaces import Shape
from pipeline.values import Extent


@dataclass(frozen=True)
class Piece:
    """A fitted region on its way to becoming a feature; points (n, 3) are those of the fit."""

    shape: Shape
    side: str | None
    fit: Fit
    points: NDArray[np.float64]
    extent: Extent
