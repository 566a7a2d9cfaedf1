"""A fitted surface on its way to becoming a feature."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.features.fitting.least_squares import Fit
from pipeline.geometry import Floats
from pipeline.surfaces import Shape
from pipeline.values import Extent


@dataclass(frozen=True)
class Piece:
    """A fitted region on its way to becoming a feature; points (n, 3) are those of the fit.

    doubts    what speaks against relying on it, in words
    accepted  number of the job's [[recover.accept]] that points at it
    """

    shape: Shape
    side: str | None
    fit: Fit
    points: Floats
    extent: Extent
    doubts: tuple[str, ...] = ()
    accepted: int | None = None
