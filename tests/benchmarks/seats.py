"""Blocks for studies: one full of cones, spheres and tori of the sizes that fabricators meet, one with wide bores.

The demo part has one of each; here both faces of a milled block carry countersinks, chamfered and tapered bores,
pins, ball seats, domes, O-ring grooves and beads, their sizes drawn anew for every number: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from sample_meshes import solid as s
from sample_meshes.design import Part, _Table, frame_along
from sample_meshes.make_scan import Scan
from sample_meshes.meshing import mesh
from tests.scans import cached

Array = NDArray[np.float64]

HALF = np.array([85.0, 62.0, 37.0])
PLACES = [(x, y) for x in (-60.0, -20.0, 20.0, 60.0) for y in (-40.0, 0.0, 40.0)]
EDGE_RADIUS = 0.35


def seats_scan(number: int, edge: float = 0.8) -> Scan:
    """The block of that number, without noise, in a pose of its own."""
    return cached(f"seats {number} {edge}", lambda: _made(number, edge, block))


def bored_scan(number: int, edge: float = 0.5) -> Scan:
    """A small block with two through bores and a blind one, the drawing of that number, as `seats_scan` does it."""
    return cached(f"bored {number} {edge}", lambda: _made(number, edge, bored))


def _made(number: int, edge: float, draw: Callable[[np.random.Generator], Part]) -> Scan:
    rng = np.random.default_rng([number, 77])
    part = draw(rng)
    to_scan = np.eye(4)
    to_scan[:3, :3] = Rotation.random(random_state=rng).as_matrix()
    to_scan[:3, 3] = rng.uniform(-150.0, 150.0, 3)
    vertices, faces = mesh(part.solid, part.low, part.high, edge / 0.93, to_scan[:3, :3].T)
    label = part.solid.face_of(vertices[faces].mean(axis=1)).astype(np.int16)
    placed = vertices @ to_scan[:3, :3].T + to_scan[:3, 3]
    sides = vertices[faces] - vertices[np.roll(faces, 1, axis=1)]
    mean_edge = float(np.linalg.norm(sides, axis=2).mean())
    return Scan(placed, placed, faces.astype(np.int32), label, {}, (), part, to_scan, mean_edge)


def block(rng: np.random.Generator) -> Part:
    """The solid with its exact faces, part coordinates; both large faces carry one of everything."""
    table = _Table(EDGE_RADIUS)
    table.cast_box(np.zeros(3), np.eye(3), HALF + 2.0, 0.0, 3.0)
    for axis in range(3):
        for sign in (1.0, -1.0):
            normal = sign * np.eye(3)[axis]
            table.cut_plane(f"side {axis} {sign:+.0f}", HALF[axis] * normal, normal)
    cuts = [_countersink, _countersink, _chamfered, _tapered, _ball_seat, _ball_seat, _groove, _groove, _bore]
    added = [_pin, _dome, _bead]
    for sign in (1.0, -1.0):
        out = np.array([0.0, 0.0, sign])
        places = [np.array([x, y, sign * HALF[2]]) for x, y in rng.permutation(PLACES)]
        for k, make in enumerate([*cuts, *added]):
            make(table, f"{make.__name__.strip('_')} {k} {sign:+.0f}", places[k], out, rng)
    # Cuts come before what is added, or they would cut into it.
    table.rows.sort(key=lambda row: row[s.ROLE])
    solid = s.Solid(np.array(table.rows), np.zeros((0, 5)), np.zeros((0, 5)))
    reach = HALF + np.array([4.0, 4.0, 24.0])
    return Part(solid, tuple(table.faces), (), -reach, reach)


def bored(rng: np.random.Generator) -> Part:
    """Bores of 12 to 15 mm radius and 20 mm and more of length in a milled block of 90 by 36 by 30 mm."""
    table = _Table(EDGE_RADIUS)
    half = np.array([45.0, 18.0, 15.0]) + rng.uniform(0.0, 3.0, 3)
    table.cast_box(np.zeros(3), np.eye(3), half + 2.0, 0.0, 3.0)
    for axis in range(3):
        for sign in (1.0, -1.0):
            normal = sign * np.eye(3)[axis]
            table.cut_plane(f"side {axis} {sign:+.0f}", half[axis] * normal, normal)
    up = np.array([0.0, 0.0, 1.0])
    for k, x in enumerate((-30.0, 0.0, 30.0)):
        mouth = np.array([x + rng.uniform(-1.0, 1.0), rng.uniform(-2.0, 2.0), half[2]])
        depth = 22.0 if k == 1 else 2.0 * half[2] + 5.0
        floor = "blind floor" if k == 1 else None
        table.cut_round(f"bore {k}", mouth, -up, rng.uniform(12.0, 13.5), depth, bottom=floor, before=10.0)
    solid = s.Solid(np.array(table.rows), np.zeros((0, 5)), np.zeros((0, 5)))
    return Part(solid, tuple(table.faces), (), -half - 4.0, half + 4.0)


def _cone(t: _Table, name: str, mouth: Array, out: Array, radius: float, degrees: float, depth: float) -> None:
    """Bore a cone that narrows inwards from `radius` at the mouth over `depth` mm, and a little further."""
    slope = float(np.tan(np.radians(degrees)))
    middle = mouth - 0.5 * depth * out
    number = t.face(name, "cone", "bore", middle, out, radius=radius - 0.5 * depth * slope, half_angle=degrees)
    low = -depth - 0.2 / slope if slope > 0.3 else -depth
    end = 0 if slope > 0.3 else t.face(f"{name} bottom", "plane", None, mouth + low * out, out)
    ball = (mouth, radius + 20.0 * slope + 40.0)
    t.row(s.CONE, s.CUT, t.edge, 0, mouth, frame_along(out), (radius, low, 10.0, slope, 0.0), ball, (number, end, 0))


def _countersink(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    bore = rng.uniform(3.5, 8.0)
    depth = bore * rng.uniform(0.8, 1.0)
    t.cut_round(f"{name} hole", mouth, -out, bore, depth + 12.0, bottom=f"{name} floor", before=10.0)
    _cone(t, name, mouth, out, bore + depth, 45.0, depth)


def _chamfered(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    bore, depth, degrees = rng.uniform(9.0, 13.0), rng.uniform(3.5, 5.5), rng.choice([20.0, 30.0, 45.0])
    t.cut_round(f"{name} hole", mouth, -out, bore, 25.0, bottom=f"{name} floor", before=10.0)
    _cone(t, name, mouth, out, bore + depth * np.tan(np.radians(degrees)), float(degrees), depth)


def _tapered(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    _cone(t, name, mouth, out, rng.uniform(11.0, 17.0), rng.uniform(2.0, 8.0), rng.uniform(18.0, 30.0))


def _ball_seat(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    radius = rng.uniform(8.0, 18.0)
    centre = mouth + radius * rng.uniform(0.1, 0.4) * out
    number = t.face(name, "sphere", "bore", centre, None, radius=radius)
    t.row(s.SPHERE, s.CUT, t.edge, 0, centre, np.eye(3), (radius,), (centre, radius), (number, 0, 0))


def _groove(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    tube, ring = rng.uniform(2.0, 4.0), rng.uniform(9.0, 14.0)
    number = t.face(name, "torus", "bore", mouth, out, radius=tube, major_radius=ring)
    t.row(s.TORUS, s.CUT, t.edge, 0, mouth, frame_along(out), (ring, tube), (mouth, ring + tube), (number, 0, 0))


def _bore(t: _Table, name: str, mouth: Array, out: Array, rng: np.random.Generator) -> None:
    t.cut_round(name, mouth, -out, rng.uniform(8.0, 17.0), 25.0, bottom=f"{name} floor", before=10.0)


def _pin(t: _Table, name: str, foot: Array, out: Array, rng: np.random.Generator) -> None:
    degrees, height = rng.uniform(5.0, 30.0), rng.uniform(9.0, 15.0)
    slope, radius = float(np.tan(np.radians(degrees))), rng.uniform(11.0, 15.0)
    middle = radius - 0.5 * height * slope
    number = t.face(name, "cone", "boss", foot + 0.5 * height * out, -out, radius=middle, half_angle=degrees)
    end = t.face(f"{name} end", "plane", None, foot + height * out, out)
    size, ball = (radius, -2.0, height, -slope, t.edge), (foot, radius + height + 3.0)
    t.row(s.CONE, s.ADDED, t.edge, 0, foot, frame_along(out), size, ball, (number, 0, end))


def _dome(t: _Table, name: str, foot: Array, out: Array, rng: np.random.Generator) -> None:
    radius = rng.uniform(9.0, 16.0)
    centre = foot - radius * rng.uniform(0.0, 0.3) * out
    number = t.face(name, "sphere", "boss", centre, None, radius=radius)
    t.row(s.SPHERE, s.ADDED, t.edge, 0, centre, np.eye(3), (radius,), (centre, radius), (number, 0, 0))


def _bead(t: _Table, name: str, foot: Array, out: Array, rng: np.random.Generator) -> None:
    tube, ring = rng.uniform(2.5, 4.5), rng.uniform(8.0, 14.0)
    number = t.face(name, "torus", "boss", foot, out, radius=tube, major_radius=ring)
    t.row(s.TORUS, s.ADDED, t.edge, 0, foot, frame_along(out), (ring, tube), (foot, ring + tube), (number, 0, 0))
