"""The envelope: all that a part sweeps that turns about an axis, where others reach into it, and how deep.

Of an edge that turns the radius is convex along the axis, so between two stations a straight line from the largest
radius at the one to that at the other lies above all of it. What is turned from that profile holds the part in every
position, and is asked for its clearance as any part is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, clearance
from pipeline.fitup.figures import revolved
from pipeline.fitup.items import Item, Key
from pipeline.geometry import Floats, Ints, basis_of, cross, rigid, transformed, turned, undone
from pipeline.mesh.query import SightLines
from pipeline.mesh.topology import undirected_edges
from pipeline.progress import Progress, silent
from pipeline.surfaces import kind_of, signed_distance
from pipeline.values import Surface

_STATIONS = 600  # of a profile at most; a part with fewer stations of its own keeps those
_ALIKE = 1e-6  # mm: stations, radii
_ON = 0.01  # mm within which a stretch of the profile is a feature's
_COAXIAL = np.radians(0.05), 0.02  # rad and mm
_MAP = 121, 180  # stations and angles of a relief map


@dataclass(frozen=True)
class Relief:
    """How deep another part reaches into the envelope and what must be kept about it.

    stations  (s,) mm along the axis from its point
    angles    (a,) rad about it, from `zero` on, counter-clockwise as it is looked against
    zero      (3,) unit: where the angles begin
    depth     (s, a) mm radially; 0 where nothing has to go. Between its lines a map tells nothing
    deepest   station mm, angle rad, depth mm of the deepest place of the map
    """

    stations: Floats
    angles: Floats
    zero: Floats
    depth: Floats
    deepest: tuple[float, float, float]


@dataclass(frozen=True)
class Reached:
    """What the envelope has to do with another part.

    against    the part
    clearance  of the envelope from it
    place      station mm and angle rad, as those of `Relief`, of where it is nearest, or deepest where it hits; None
               where it isn't known
    relief     None where nothing has to go
    """

    against: str
    clearance: Clearance
    place: tuple[float, float] | None
    relief: Relief | None


@dataclass(frozen=True)
class Envelope:
    """What a part sweeps.

    profile  (k, 2) station mm along the axis from its point, and radius mm, around all of it; two of one station make
             a shoulder
    point    (3,) mm; direction (3,) unit: the axis where the parts are put together
    largest  mm, the largest radius; at the station mm
    reached  one for each other part
    """

    profile: Floats
    point: Floats
    direction: Floats
    largest: float
    at: float
    reached: tuple[Reached, ...]


def envelope(
    turning: Placed, others: Mapping[str, Placed], axis: Item, least: float = 0.0, progress: Progress = silent
) -> Envelope:
    """What a part sweeps that turns about an axis where the parts are put together, and whether it keeps `least` mm.

    Raises SettingsError where the part has no extent along the axis.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> from pipeline.surfaces import SituationFeature
    >>> rod = turned_body("rod", [(0, 20), (30, 20), (30, 44), (50, 44)], 0.01)
    >>> axis = Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    >>> found = envelope(Placed(rod, placed([])), {}, axis)
    >>> found.profile.round(6).tolist(), round(found.largest, 6)
    ([[0.0, 10.0], [30.0, 10.0], [30.0, 22.0], [50.0, 22.0]], 22.0)
    """
    assert axis.direction is not None
    first, _ = basis_of(axis.direction)
    frame = rigid(np.column_stack([first, cross(axis.direction, first), axis.direction]), axis.point)
    profile = swept_profile(transformed(undone(frame), turning.vertices), turning.body.surface.faces)
    if len(profile) < 2 or profile[:, 1].max() <= _ALIKE:
        raise SettingsError(f"{turning.body.name} has no extent along the axis that it is to turn about.")
    swept = _swept(turning, profile, frame, axis)
    reached = []
    for number, (name, other) in enumerate(others.items()):
        progress(number / len(others), name)
        found = clearance(swept, other, least)
        relief = None if found.verdict == "clear" else _relief(profile, other, frame, least)
        place = None
        if found.spot is not None:
            place = _station_and_angle(frame, found.spot.places[1])
        elif relief is not None:
            place = relief.deepest[:2]
        reached.append(Reached(name, found, place, relief))
    top = int(profile[:, 1].argmax())
    return Envelope(profile, axis.point, axis.direction, float(profile[top, 1]), float(profile[top, 0]), tuple(reached))


def _station_and_angle(frame: Floats, place: Floats) -> tuple[float, float]:
    x, y, z = transformed(undone(frame), place)
    return float(z), float(np.arctan2(y, x) % (2.0 * np.pi))


def swept_profile(vertices: Floats, faces: Ints) -> Floats:
    """(k, 2) station and largest radius, mm, of a mesh that turns about z: nothing of it reaches out of that line.

    vertices, faces  (n, 3) mm and (m, 3)

    Between stations the line is straight; two rows of one station are a shoulder. It touches the mesh at its stations
    where it has no more than 600 of them; else it is as near as the corners between its lines allow.

    >>> corners = [[0, 0, 0], [3, 4, 0], [0, 0, 10]]
    >>> swept_profile(np.array(corners, float), np.array([[0, 1, 2]])).tolist()
    [[0.0, 5.0], [10.0, 0.0]]
    """
    edges, _ = undirected_edges(faces)
    used = np.unique(edges)
    z = vertices[:, 2]
    stations = np.unique(z[used])
    stations = stations[np.concatenate([[True], np.diff(stations) > _ALIKE])]
    if len(stations) < 2:
        return np.zeros((0, 2))
    if len(stations) > _STATIONS:
        stations = np.linspace(stations[0], stations[-1], _STATIONS + 1)
    low = np.where(z[edges[:, 0]] <= z[edges[:, 1]], edges[:, 0], edges[:, 1])
    high = edges.sum(axis=1) - low
    # Of each strip between two stations the radius at either end, and how far corners inside it reach beyond the line.
    ends = np.zeros((len(stations) - 1, 2))
    begin = np.clip(np.searchsorted(stations, z[low] + _ALIKE, "right") - 1, 0, len(ends) - 1)
    end = np.clip(np.searchsorted(stations, z[high] - _ALIKE, "left") - 1, 0, len(ends) - 1)
    upright = z[high] - z[low] > _ALIKE
    begin, end, low, high = begin[upright], end[upright], low[upright], high[upright]
    count = end - begin + 1
    each = np.repeat(np.arange(len(count)), count)
    strip = begin[each] + np.arange(len(each)) - np.repeat(np.cumsum(count) - count, count)
    p, q = vertices[low[each]], vertices[high[each]]
    for side in (0, 1):
        t = np.clip((stations[strip + side] - p[:, 2]) / (q[:, 2] - p[:, 2]), 0.0, 1.0)
        # An edge that ends inside the strip says nothing of its end; its corner does below.
        there = np.abs(p[:, 2] + t * (q[:, 2] - p[:, 2]) - stations[strip + side]) <= 2.0 * _ALIKE
        across = p[:, :2] + t[:, None] * (q[:, :2] - p[:, :2])
        np.maximum.at(ends[:, side], strip[there], np.hypot(across[there, 0], across[there, 1]))
    at = np.clip(np.searchsorted(stations, z[used], "right") - 1, 0, len(ends) - 1)
    inside = (z[used] > stations[at] + _ALIKE) & (z[used] < stations[at + 1] - _ALIKE)
    at, corner = at[inside], vertices[used[inside]]
    t = (corner[:, 2] - stations[at]) / (stations[at + 1] - stations[at])
    beyond = np.zeros(len(ends))
    np.maximum.at(beyond, at, np.hypot(corner[:, 0], corner[:, 1]) - (ends[at, 0] + t * (ends[at, 1] - ends[at, 0])))
    ends += beyond[:, None]
    rows = np.column_stack([np.repeat(stations, 2)[1:-1], ends.ravel()])
    return _straightened(rows)


def _straightened(rows: Floats) -> Floats:
    """A profile without rows that stand twice or lie on a straight line between their neighbours."""
    kept: list[Floats] = []
    for row in rows:
        if kept and abs(row - kept[-1]).max() <= _ALIKE:
            continue
        while len(kept) > 1:
            (a, r), (b, s), (c, t) = kept[-2], kept[-1], row
            off = abs((b - a) * (t - r) - (c - a) * (s - r)) / max(float(np.hypot(c - a, t - r)), 1e-300)
            if off > _ALIKE or not (min(a, c) <= b <= max(a, c)) or not (min(r, t) <= s <= max(r, t)):
                break
            kept.pop()
        kept.append(row)
    return np.array(kept)


def _swept(turning: Placed, profile: Floats, frame: Floats, axis: Item) -> Placed:
    """The solid that a profile makes about an axis, as a part in the turning one's place."""
    to_part = undone(turning.pose.matrix) @ frame
    surface, strip = revolved(profile, around=True)
    body = turning.body
    direction = axis.direction
    assert direction is not None
    labels = np.full(surface.facets, -1, np.int32)
    for k, feature in enumerate(body.features):
        shape = turning.shape(k)
        if feature.side != "boss" or shape.direction is None or kind_of(feature).flat:
            continue
        off = shape.point - axis.point
        off = off - (off @ direction) * direction
        aslant = float(np.linalg.norm(cross(shape.direction, direction)))
        if aslant > np.sin(_COAXIAL[0]) or np.linalg.norm(off) > _COAXIAL[1]:
            continue
        for row, ((a, r), (b, s)) in enumerate(pairwise(profile)):
            ends = transformed(frame, np.array([[r, 0.0, a], [s, 0.0, b]]))
            if b > a and (np.abs(signed_distance(shape, ends)) < _ON).all():
                labels[strip == row] = k
    # The proudest facet of each station stands for all of it, which is on the safe side of the skin's scatter.
    part = Body(
        body.name, Surface.measured(transformed(to_part, surface.vertices), surface.faces), labels, body.features,
        body.names, body.skin or 0.0, bound=body.bound, scale=body.scale,
    )  # fmt: skip
    moves: dict[Key, Floats] = dict(turning.pose.moves)
    for key, (shift, tilt) in axis.moves.items():
        turn = cross(direction, tilt)
        moves[key] = np.concatenate([shift - cross(turn, axis.point), turn])
    pose = replace(turning.pose, moves=moves, unsure=turning.pose.unsure or axis.unsure)
    return Placed(part, pose)


def _relief(profile: Floats, other: Placed, frame: Floats, least: float) -> Relief | None:
    """Radial depths of another part in the envelope that has grown by `least`; None where there are none."""
    local = transformed(undone(frame), other.vertices)
    low = max(profile[0, 0] - least, float(local[:, 2].min()))
    high = min(profile[-1, 0] + least, float(local[:, 2].max()))
    if high <= low:
        return None
    # Half a step from the ends, since a ray that runs in a face is met by nothing.
    stations = low + (np.arange(_MAP[0]) + 0.5) / _MAP[0] * (high - low)
    angles = 2.0 * np.pi * np.arange(_MAP[1]) / _MAP[1]
    ways = np.column_stack([np.cos(angles), np.sin(angles), np.zeros(len(angles))])
    points = np.column_stack([np.zeros((len(stations), 2)), stations])
    lines = SightLines.through(local, other.body.surface.faces)
    _, far = lines.first(np.repeat(points, len(angles), axis=0), np.tile(ways, (len(stations), 1)), 0.0)
    first = far.reshape(len(stations), len(angles))
    if other.body.closed:
        first[other.scene.inside(transformed(frame, points))] = 0.0
    depth = np.maximum(grown(profile, stations, least)[:, None] - first, 0.0)
    if not depth.any():
        return None
    i, k = np.unravel_index(int(depth.argmax()), depth.shape)
    deepest = float(stations[i]), float(angles[k]), float(depth[i, k])
    return Relief(stations, angles, turned(frame, np.array([1.0, 0.0, 0.0])), depth, deepest)


def grown(profile: Floats, stations: Floats, by: float) -> Floats:
    """(s,) mm, the radius of a profile (k, 2) at stations (s,) after it has grown by a distance on all sides.

    >>> grown(np.array([[0.0, 5.0], [10.0, 5.0]]), np.array([5.0, 12.0]), 2.5).round(6).tolist()
    [7.5, 6.5]
    """
    out = np.full(len(stations), -np.inf)
    for (a, r), (b, s) in pairwise(profile):
        # Along a straight stretch the farthest reach is square to it, or from an end of it.
        slope = (s - r) / (b - a) if b > a else 0.0
        foot = np.clip(stations - by * slope / np.hypot(1.0, slope), a, b)
        for z, radius in (
            (foot, r + slope * (foot - a)),
            (np.full(len(stations), a), np.full(len(stations), r)),
            (np.full(len(stations), b), np.full(len(stations), s)),
        ):
            square = by * by - (stations - z) ** 2
            out = np.where(square >= 0.0, np.maximum(out, radius + np.sqrt(np.maximum(square, 0.0))), out)
    return np.maximum(out, 0.0)
