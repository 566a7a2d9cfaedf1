"""Parts from figures, turned ones and flat plates, and the faces that they have."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.spatial.distance import cdist

from pipeline.errors import SettingsError
from pipeline.fitup.bodies import Body
from pipeline.geometry import FULL_TURN, Floats, Ints, contains, signed_area, unit
from pipeline.layout import Plate
from pipeline.mesh.fill import is_simple
from pipeline.surfaces import kind_of, shape_of_turned_line
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty

# What a line square to an axis becomes when it is turned about that.
_FLAT = shape_of_turned_line(np.zeros(3), np.array([0.0, 0.0, 1.0]), ((0.0, 0.0), (0.0, 1.0))).kind

_CHORD = 0.002  # mm that a facet's middle lies inside the circle, at most
_SIDES = (48, 720)
_START, _END = -1, -2
_Line = tuple[tuple[float, float], tuple[float, float]]
_SHORTEST = 1e-3  # mm: sides and webs that are shorter are none
_Disc = tuple[float, float, float]


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
    features = [_turned_face("start", ((profile[0][0], 0.0), profile[0]), -1.0, uncertainty)]
    features.append(_turned_face("end", ((profile[-1][0], 0.0), profile[-1]), 1.0, uncertainty))
    steps = 0
    for n, ((low, d), (high, e)) in enumerate(pairwise(profile)):
        if high > low:
            steps += 1
            labels[strip == n] = len(features)
            features.append(_turned_face(f"step {steps}", ((low, d), (high, e)), 1.0, uncertainty))
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
    sides = _sides(largest)
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


def _turned_face(ident: str, line: _Line, sense: float, uncertainty: float) -> Feature:
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


def plate_body(name: str, plate: Plate, uncertainty: float) -> Body:
    """The body of a plate that lies on z = 0 and is as thick as that along z, its outline where its figures have it.

    uncertainty  standard, mm, of every place of it

    Its features are "bottom" (z = 0) and "top", "side 1" ... in the order of its outline's corners (of a rectangle
    those that look along x, y, -x, -y) or the "rim" of a disc, and "hole 1" ... in the order in which they are told.
    Facets lie within 2 um of them. The diameters' uncertainty is twice that of a place.

    Raises SettingsError where the outline crosses itself, or a hole runs out of it or into another one.

    >>> wall = plate_body("wall", Plate(size=(60, 40), thickness=8, holes=[{"at": (20, 0), "diameter": 9}]), 0.02)
    >>> [(f.id, f.radius) for f in wall.features if f.side == "bore"], wall.closed
    ([('hole 1', 4.5)], True)
    """
    outline, disc = _outline(plate)
    holes = [(x, y, hole.diameter / 2) for hole in plate.holes for x, y in hole.places]
    _check(name, outline, disc, holes)
    loops = [outline, *(_circle(*hole)[::-1] for hole in holes)]
    ends = np.cumsum([0, *map(len, loops)])
    flat = np.concatenate(loops)
    library: Any = importlib.import_module("manifold3d")
    lid = np.asarray(library.triangulate(loops), np.int32)
    n = len(flat)
    levels = [np.column_stack([flat, np.full(n, z)]) for z in (0.0, plate.thickness)]
    faces: list[Ints] = [lid[:, ::-1], lid + n]
    labels = [np.zeros(len(lid), np.int32), np.ones(len(lid), np.int32)]
    features = [_flat("bottom", 0.0, -1.0, loops, uncertainty), _flat("top", plate.thickness, 1.0, loops, uncertainty)]
    for k, loop in enumerate(loops):
        a = ends[k] + np.arange(len(loop))
        b = ends[k] + (np.arange(len(loop)) + 1) % len(loop)
        faces += [np.column_stack([a, b, b + n]), np.column_stack([a, b + n, a + n])]
        if k == 0 and disc is None:
            labels += 2 * [len(features) + np.arange(len(loop), dtype=np.int32)]
            features += [_side(i, loop, plate.thickness, uncertainty) for i in range(len(loop))]
            continue
        labels += 2 * [np.full(len(loop), len(features))]
        where = holes[k - 1] if k else disc
        assert where is not None
        features.append(_round(f"hole {k}" if k else "rim", where, plate.thickness, uncertainty))
    surface = Surface.measured(np.vstack(levels), np.vstack(faces).astype(np.int32))
    return Body(name, surface, np.concatenate(labels).astype(np.int32), tuple(features), skin=uncertainty)


def _outline(plate: Plate) -> tuple[Floats, _Disc | None]:
    """The outline's corners (n, 2), counter-clockwise; and of a disc its middle and radius."""
    if plate.diameter is not None:
        disc = (0.0, 0.0, plate.diameter / 2)
        return _circle(*disc), disc
    if plate.size is not None:
        x, y = plate.size[0] / 2, plate.size[1] / 2
        return np.array([[x, -y], [x, y], [-x, y], [-x, -y]]), None
    corners = np.array(plate.outline, np.float64)
    return (corners if signed_area(corners) > 0.0 else corners[::-1].copy()), None


def _circle(x: float, y: float, radius: float) -> Floats:
    sides = _sides(radius)
    turn = FULL_TURN * np.arange(sides) / sides
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def _sides(radius: float) -> int:
    """Of the polygon that stands for a circle."""
    return int(np.clip(np.ceil(np.pi / np.arccos(max(1.0 - _CHORD / radius, -1.0))), *_SIDES))


def _check(name: str, outline: Floats, disc: _Disc | None, holes: list[_Disc]) -> None:
    """Refuse what is no plate."""
    after = np.roll(outline, -1, axis=0)
    if np.linalg.norm(after - outline, axis=1).min() < _SHORTEST:
        raise SettingsError(f"{name}: two corners of the plate's outline are one; write each corner once.")
    if disc is None and _crosses(outline):
        raise SettingsError(f"{name}: the plate's outline crosses or touches itself; write its corners in their order.")
    for k, (x, y, radius) in enumerate(holes, 1):
        at = np.array([x, y])
        if disc is not None:
            web = disc[2] - float(np.hypot(x, y)) - radius
        else:
            web = float(_off(at, outline, after).min()) - radius
            web = web if contains([outline], at[None])[0] else -radius
        if web < _SHORTEST:
            raise SettingsError(
                f"{name}: hole {k} at [{x:g}, {y:g}] runs out of the plate's outline; move it, or make it smaller."
            )
    if len(holes) > 1:
        middles, radii = np.array(holes)[:, :2], np.array(holes)[:, 2]
        webs = cdist(middles, middles) - radii - radii[:, None]
        np.fill_diagonal(webs, np.inf)
        first, second = divmod(int(webs.argmin()), len(holes))
        if webs[first, second] < _SHORTEST:
            raise SettingsError(
                f"{name}: hole {first + 1} and hole {second + 1} run into each other; move one, or write it once."
            )


def _off(place: Floats, starts: Floats, ends: Floats) -> Floats:
    """(n,) mm from a place (2,) to lines from starts (n, 2) to ends (n, 2)."""
    way = ends - starts
    share = np.clip(((place - starts) * way).sum(axis=1) / (way**2).sum(axis=1), 0.0, 1.0)
    return np.asarray(np.linalg.norm(starts + share[:, None] * way - place, axis=1))


def _crosses(outline: Floats) -> bool:
    """Whether two sides of a polygon that are no neighbours meet, or two neighbours lie on each other."""
    n, after = len(outline), np.roll(outline, -1, axis=0)
    way = after - outline
    turn = way[:, 0] * np.roll(way, -1, axis=0)[:, 1] - way[:, 1] * np.roll(way, -1, axis=0)[:, 0]
    back = (way * np.roll(way, -1, axis=0)).sum(axis=1) < 0.0
    if (back & (np.abs(turn) < _SHORTEST)).any():
        return True
    if not is_simple(outline, (np.arange(n, dtype=np.int32),)):
        return True
    for i in range(n):
        others = np.array([k for k in range(n) if k not in (i, (i + 1) % n, (i - 1) % n)], int)
        ends = (outline[i], after[i]) if len(others) else ()
        if any(float(_off(end, outline[others], after[others]).min()) < _SHORTEST for end in ends):
            return True
    return False


def _flat(ident: str, z: float, sense: float, loops: list[Floats], uncertainty: float) -> Feature:
    middle = 0.5 * (loops[0].min(axis=0) + loops[0].max(axis=0))
    area = sum(signed_area(loop) for loop in loops)
    return _plane(ident, np.array([*middle, z]), np.array([0.0, 0.0, sense]), area, uncertainty)


def _side(i: int, loop: Floats, thickness: float, uncertainty: float) -> Feature:
    a, b = loop[i], loop[(i + 1) % len(loop)]
    x, y = unit(b - a)
    point, area = np.array([*(0.5 * (a + b)), thickness / 2]), float(np.linalg.norm(b - a)) * thickness
    return _plane(f"side {i + 1}", point, np.array([y, -x, 0.0]), area, uncertainty)


def _plane(ident: str, point: Floats, normal: Floats, area: float, uncertainty: float) -> Feature:
    known = Uncertainty(uncertainty, 0.0, None, "given")
    return Feature(ident, _FLAT, None, point, normal, None, known, Form(0.0, 0.0, 1.0, "none"), Extent(area, 0))


def _round(ident: str, where: _Disc, thickness: float, uncertainty: float) -> Feature:
    """A hole, or the rim of a disc: of its axis, which the plate is laid out from, nothing is unsure."""
    x, y, radius = where
    shape = shape_of_turned_line(np.array([x, y, 0.0]), np.array([0.0, 0.0, 1.0]), ((0.0, radius), (thickness, radius)))
    assert shape.direction is not None
    assert kind_of(shape).cylindrical
    rim = ident == "rim"
    return Feature(
        ident, shape.kind, "boss" if rim else "bore", np.array([x, y, thickness / 2]), shape.direction, radius,
        Uncertainty(0.0 if rim else uncertainty, 0.0, uncertainty, "given"), Form(0.0, 0.0, 1.0, "none"),
        Extent(FULL_TURN * radius * thickness, 0, thickness, FULL_TURN, (-thickness / 2, thickness / 2)),
    )  # fmt: skip
