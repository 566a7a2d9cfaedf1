"""Plain geometry that belongs to no surface and no mesh: vectors, rigid motions, circles, polygons, robust spread.

Lengths mm, angles rad; arrays of float64. Each function says the shapes it takes, and shows an example that the tests
run.
"""

from __future__ import annotations

from pipeline.geometry.arrays import Bytes, Floats, Indices, Ints, Longs, Mask, Point, Shorts, Singles
from pipeline.geometry.box import box_of
from pipeline.geometry.circle import (
    FULL_TURN,
    algebraic_circle,
    fit_circle,
    gaps_round,
    on_circle,
    polar_angles,
    turn_between,
)
from pipeline.geometry.linear_solve import damped_step, eliminate, solve_columns
from pipeline.geometry.motion import (
    into_frame,
    point_after,
    rigid,
    rotation_angle,
    small_motion,
    transformed,
    turn_levers,
    turned,
    undone,
)
from pipeline.geometry.polygon import (
    arc_lengths,
    area_vector,
    contains,
    side_lengths,
    signed_area,
    simplified,
    step_lengths,
)
from pipeline.geometry.robust import SIGMA_OF_MAD, scaled_mad
from pipeline.geometry.triangles import area_vectors
from pipeline.geometry.units import MM_PER_INCH, MM_PER_UNIT
from pipeline.geometry.vectors import (
    angle_between_directions,
    angle_between_lines,
    basis_of,
    cross,
    growing_sense,
    mean_line,
    perpendicular_pair,
    rejection,
    steady_pair,
    unit,
    unit_rows,
)

__all__ = [
    "FULL_TURN",
    "MM_PER_INCH",
    "MM_PER_UNIT",
    "SIGMA_OF_MAD",
    "Bytes",
    "Floats",
    "Indices",
    "Ints",
    "Longs",
    "Mask",
    "Point",
    "Shorts",
    "Singles",
    "algebraic_circle",
    "angle_between_directions",
    "angle_between_lines",
    "arc_lengths",
    "area_vector",
    "area_vectors",
    "basis_of",
    "box_of",
    "contains",
    "cross",
    "damped_step",
    "eliminate",
    "fit_circle",
    "gaps_round",
    "growing_sense",
    "into_frame",
    "mean_line",
    "on_circle",
    "perpendicular_pair",
    "point_after",
    "polar_angles",
    "rejection",
    "rigid",
    "rotation_angle",
    "scaled_mad",
    "side_lengths",
    "signed_area",
    "simplified",
    "small_motion",
    "solve_columns",
    "steady_pair",
    "step_lengths",
    "transformed",
    "turn_between",
    "turn_levers",
    "turned",
    "undone",
    "unit",
    "unit_rows",
]
