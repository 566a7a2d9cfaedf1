"""The kinds of surface that can be recovered, one file each, and all that a kind needs anywhere.

What is compiled for all kinds together is imported on first use, so that a kind from outside can be registered before.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from pipeline.surfaces.blocks import view
from pipeline.surfaces.kind import SIZES, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.registry import (
    KINDS,
    files_from_outside,
    is_bore,
    is_word_for,
    kind_of,
    names_of,
    register,
    row_of,
    shape_from_step,
    shape_of_turned_line,
    unpack,
)
from pipeline.surfaces.shape import (
    PACKED,
    ROW,
    PlaneCurve,
    Shape,
    Sided,
    as_points,
    pack,
    redirected,
    seen_from,
    shape_of,
)

if TYPE_CHECKING:
    from pipeline.surfaces.dispatch import (
        AXIAL,
        COUNT,
        FLAT,
        LINEAR_START,
        RULED,
        SLOTS,
        SUPPLE,
        WIDEST,
        WIDTHS,
        begin,
        chord_steps,
        distance_gradient,
        gradient,
        move_onto,
        row_distances,
        sane,
        start_of,
    )
    from pipeline.surfaces.kernels import (
        chart_of,
        closed_form,
        distances,
        gradients,
        height_of,
        jacobian,
        moved,
        normal_equations,
        refine,
        refine_on,
        signed_distance,
        surface_normal,
    )

_HOMES = {
    "dispatch": (
        "AXIAL COUNT FLAT LINEAR_START RULED SLOTS SUPPLE WIDEST WIDTHS "
        "begin chord_steps distance_gradient gradient move_onto row_distances sane start_of"
    ),
    "kernels": (
        "chart_of closed_form distances gradients height_of jacobian moved normal_equations refine refine_on "
        "signed_distance surface_normal"
    ),
}

__all__ = [
    "AXIAL",
    "COUNT",
    "FLAT",
    "KINDS",
    "LINEAR_START",
    "PACKED",
    "ROW",
    "RULED",
    "SIZES",
    "SLOTS",
    "SUPPLE",
    "WIDEST",
    "WIDTHS",
    "Kind",
    "Look",
    "PlaneCurve",
    "Shape",
    "Sided",
    "SituationFeature",
    "StepSurface",
    "as_points",
    "begin",
    "chart_of",
    "chord_steps",
    "closed_form",
    "distance_gradient",
    "distances",
    "files_from_outside",
    "gradient",
    "gradients",
    "height_of",
    "is_bore",
    "is_word_for",
    "jacobian",
    "kind_of",
    "move_onto",
    "moved",
    "names_of",
    "normal_equations",
    "pack",
    "redirected",
    "refine",
    "refine_on",
    "register",
    "row_distances",
    "row_of",
    "sane",
    "seen_from",
    "shape_from_step",
    "shape_of",
    "shape_of_turned_line",
    "signed_distance",
    "start_of",
    "surface_normal",
    "unpack",
    "view",
]


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names.split():
            return getattr(importlib.import_module(f"pipeline.surfaces.{home}"), name)
    raise AttributeError(f"module 'pipeline.surfaces' has no attribute {name!r}")
