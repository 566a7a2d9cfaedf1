"""A turned part from its figures: a profile of stations and diameters, and the faces that it has."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from pipeline.fitup.bodies import Body
from pipeline.geometry import Floats, Ints
from pipeline.surfaces import kind_of, shape_of_turned_line
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty

_CHORD = 0.002  # mm that a facet's middle lies inside the circle, at most
_SIDES = (48, 720)
_START, _END = -1, -2
_Line = tuple[tuple[float, float], tuple[float, float]]


def turned_body(name: str, profile: Sequence[tuple[float, float]], uncertainty: float) -> Body:
    """The body of a turned part along z, its start at the first station.

    profile      (station, diameter) mm in rising order; two of one station make a shoulder
    uncertainty  standard, mm, of every place of it

    Its features are "start" and "end", the two end faces, and "step 1" ... from the start on: cylinders and cones.
    Facets lie within 2 um of them. The diameters' uncertainty is twice that of a place.

    >>> rod = turned_body("rod", [(0, 20), (30, 20), (30, 30), (50, 30)], 0.01)
    >>> [(f.id, f.kind, f.radius) for f in rod.features[2:]]
    [('step 1', 'cylinder', 10.0), ('step 2', 'cylinder', 15.0)]
    """
    surface, strip = revolved(np.array([(z, d / 2) for z, d in profile]))
    labels = np.where(strip == _START, 0, np.where(strip == _END, 1, -1))
    features = [_feature("start", ((profile[0][0], 0.0), profile[0]), -1.0, uncertainty)]
    features.append(_feature("end", ((profile[-1][0], 0.0), profile[-1]), 1.0, uncertainty))
    steps = 0
    for n, ((low, d), (high, e)) in enumerate(pairwise(profile)):
        if high > low:
            steps += 1
            labels[strip == n] = len(features)
            features.append(_feature(f"step {steps}", ((low, d), (high, e)), 1.0, uncertainty))
    return Body(name, surface, labels.astype(np.int32), tuple(features), skin=uncertainty)


def revolved(profile: Floats, around: bool = False) -> tuple[Surface, Ints]:
    """The closed surface that a profile sweeps about z, and which of its lines each facet (m,) belongs to.

    profile  (k, 2) station and radius mm, stations not falling; two of one station make a shoulder
    around   its sides lie outside the circles, touching them; else their corners lie on them

    Facets lie within 2 um of the circles where 720 of them about the axis can do so. The end faces are -1 and -2.

    >>> surface, line = revolved(np.array([[0.0, 5.0], [10.0, 5.0]]))
    >>> np.unique(line).tolist(), float(surface.vertices[:, 2].max())
    ([-2, -1, 0], 10.0)
    """
    largest = float(profile[:, 1].max())
    sides = int(np.clip(np.ceil(np.pi / np.arccos(max(1.0 - _CHORD / largest, -1.0))), *_SIDES))
    turn = 2 * np.pi * np.arange(sides) / sides
    grow = 1.0 / np.cos(np.pi / sides) if around else 1.0
    rings = [grow * r * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(sides)]) + [0, 0, z] for z, r in profile]
    middles = np.array([[0.0, 0.0, profile[0][0]], [0.0, 0.0, profile[-1][0]]])
    vertices = np.vstack([*rings, middles])
    first, second = np.arange(sides), (np.arange(sides) + 1) % sides
    bottom, top = len(vertices) - 2, len(vertices) - 1
    last = sides * (len(rings) - 1)
    faces: list[Ints] = [
        np.column_stack([np.full(sides, bottom), second, first]),
        np.column_stack([np.full(sides, top), last + first, last + second]),
    ]
    lines = [_START, _END]
    for n, ((low, r), (high, s)) in enumerate(pairwise(profile)):
        a, b = sides * n + first, sides * n + second
        if high == low and r == s:
            continue
        lines.append(n)
        faces += [np.vstack([np.column_stack([a, b, b + sides]), np.column_stack([a, b + sides, a + sides])])]
    each = np.repeat(lines, [len(f) for f in faces]).astype(np.int32)
    return Surface.measured(vertices, np.vstack(faces)), each


def _feature(ident: str, line: _Line, sense: float, uncertainty: float) -> Feature:
    """The face that a line of the profile, two stations and diameters, turns out; `sense` of an end face's normal."""
    (low, d), (high, e) = line
    shape = shape_of_turned_line(np.zeros(3), np.array([0.0, 0.0, 1.0]), ((low, d / 2), (high, e / 2)))
    flat, length = kind_of(shape).flat, high - low
    assert shape.direction is not None
    return Feature(
        ident, shape.kind, None if flat else "boss", shape.point, sense * shape.direction if flat else shape.direction,
        shape.radius,
        # Of an axis nothing is unsure but the size of what lies about it.
        Uncertainty(uncertainty if flat else 0.0, 0.0, None if flat else uncertainty, "given"),
        Form(0.0, 0.0, 1.0, "none"),
        Extent(
            np.pi * (e**2 - d**2) / 4 if flat else np.pi * 0.5 * (d + e) * float(np.hypot(length, 0.5 * (e - d))), 0,
            None if flat else length, None if flat else 2 * np.pi, None if flat else (-length / 2, length / 2),
        ),
        half_angle=shape.half_angle,
    )  # fmt: skip
