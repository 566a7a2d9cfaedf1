"""Which axes are one: stepped bores and shafts as coaxial groups."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.coverage import PAIR
from pipeline.features.naming import term_of
from pipeline.geometry import angle_between_lines, mean_line, rejection
from pipeline.lengths import mm, size_in_mm
from pipeline.surfaces import kind_of, shape_of
from pipeline.values import Feature, Pattern

# What drilling and boring from two sides leaves between axes that are meant to be one (common practice, no
# source); the features' own uncertainty comes on top.
TURN = np.radians(0.3)
OFFSET = 0.15


def coaxial_groups(features: Sequence[Feature]) -> tuple[Pattern, ...]:
    """Two or more features with an axis on one line, largest area first.

    members run along the axis; `centre` and `normal` are the mean axis, weighted by the seen area; `rms` is that
    of the members' distances from it, mm; `note` names the steps with their diameters and the lengths seen.
    """
    axial = [f for f in features if kind_of(f).axial]
    axial.sort(key=lambda f: -f.extent.area)
    left, groups = list(axial), []
    while left:
        seed = left[0]
        group = [seed] + [f for f in left[1:] if _on_axis(f, seed)]
        left = [f for f in left if all(f is not g for g in group)]
        if len(group) > 1:
            groups.append(_group(group))
    return tuple(groups)


def _on_axis(feature: Feature, axis: Feature) -> bool:
    """Whether a feature's axis could be the same as a larger one's."""
    assert feature.direction is not None
    assert axis.direction is not None
    angle = angle_between_lines(feature.direction, axis.direction)
    unsure = np.hypot(feature.uncertainty.direction or 0.0, axis.uncertainty.direction or 0.0)
    if angle > TURN + PAIR * unsure:
        return False
    off = feature.point - axis.point
    along = float(off @ axis.direction)
    across = float(np.linalg.norm(rejection(off, axis.direction)))
    lever = abs(along) * (axis.uncertainty.direction or 0.0)
    unsure = np.sqrt((feature.uncertainty.position or 0.0) ** 2 + (axis.uncertainty.position or 0.0) ** 2 + lever**2)
    return across <= OFFSET + PAIR * unsure


def _group(group: list[Feature]) -> Pattern:
    directions = [f.direction for f in group if f.direction is not None]
    weight = np.array([f.extent.area for f in group])
    weight = weight / weight.sum()
    w = mean_line(directions, weight.tolist())
    points = np.array([f.point for f in group])
    centre = weight @ points
    off = points - centre
    across = rejection(off, w)
    order = np.argsort(off @ w, kind="stable")
    steps = "; ".join(_step(group[i]) for i in order)
    return Pattern(
        "coaxial",
        tuple(group[i].id for i in order),
        centre=centre,
        normal=w,
        rms=float(np.sqrt(np.mean(np.sum(across**2, axis=1)))),
        note=f"along the axis: {steps}",
    )


def _step(feature: Feature) -> str:
    kind, length = kind_of(feature), feature.extent.length
    seen = "" if length is None or kind.centred else f" x {mm(length)} seen"
    return f"{term_of(feature)} {size_in_mm(kind.size(shape_of(feature)))}{seen}"
