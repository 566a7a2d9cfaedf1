"""The kinds of surface that can be recovered, one file each, and all that a kind needs anywhere."""

from __future__ import annotations

from pipeline.surfaces.analytic import CODES, CYLINDER, PLANE, ROW, distance_gradient, move_onto, row_distances
from pipeline.surfaces.charts import Array, chart_of, height_of, view
from pipeline.surfaces.kernels import begin, distances, gradient, normal_equations, refine
from pipeline.surfaces.kind import PACKED, SIZES, WIDEST, SituationFeature, as_points, basis_of, pack, unpack
from pipeline.surfaces.moments import about_axis, perpendicular_pair
from pipeline.surfaces.registry import KINDS, is_bore, kind_of, names_of, project, signed_distance, surface_normal
from pipeline.surfaces.shape import PlaneCurve, Shape, seen_from, shape_of

__all__ = [
    "CODES",
    "CYLINDER",
    "KINDS",
    "PACKED",
    "PLANE",
    "ROW",
    "SIZES",
    "WIDEST",
    "Array",
    "PlaneCurve",
    "Shape",
    "SituationFeature",
    "about_axis",
    "as_points",
    "basis_of",
    "begin",
    "chart_of",
    "distance_gradient",
    "distances",
    "gradient",
    "height_of",
    "is_bore",
    "kind_of",
    "move_onto",
    "names_of",
    "normal_equations",
    "pack",
    "perpendicular_pair",
    "project",
    "refine",
    "row_distances",
    "seen_from",
    "shape_of",
    "signed_distance",
    "surface_normal",
    "unpack",
    "view",
]
