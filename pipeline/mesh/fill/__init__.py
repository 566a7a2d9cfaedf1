"""Surface for an opening: triangulation of a rim, and fair heights over it."""

from __future__ import annotations

from pipeline.mesh.fill.fairing import Spline, cell_means, fair_in_space, fit_spline, sum_at
from pipeline.mesh.fill.triangulation import (
    area_of,
    flat_patch,
    hexagonal_points,
    is_simple,
    neighbours,
    refine_in_space,
    space_patch,
    split_edges,
)

__all__ = [
    "Spline",
    "area_of",
    "cell_means",
    "fair_in_space",
    "fit_spline",
    "flat_patch",
    "hexagonal_points",
    "is_simple",
    "neighbours",
    "refine_in_space",
    "space_patch",
    "split_edges",
    "sum_at",
]
