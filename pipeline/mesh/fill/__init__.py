"""Surface for an opening: triangulation of a rim, and fair heights over it."""

from __future__ import annotations

from pipeline.mesh.fill.fairing import Spline, cell_means, fair_in_space, fit_spline, sum_at
from pipeline.mesh.fill.least_area import least_area
from pipeline.mesh.fill.triangulation import (
    constrained_delaunay,
    half_edge_neighbours,
    hexagonal_lattice,
    is_simple,
    least_bending_triangles,
    refine_in_space,
    split_edges,
    triangles_of_parts,
)

__all__ = [
    "Spline",
    "cell_means",
    "constrained_delaunay",
    "fair_in_space",
    "fit_spline",
    "half_edge_neighbours",
    "hexagonal_lattice",
    "is_simple",
    "least_area",
    "least_bending_triangles",
    "refine_in_space",
    "split_edges",
    "sum_at",
    "triangles_of_parts",
]
