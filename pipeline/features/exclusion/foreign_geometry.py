"""Surface that looks as if it were not the part: proposals for exclusion zones, never cut unasked.

Looked for are plugs (a rough sheet that spans a bore), posts (a stub of the stand or a clamp: a rough arm that stands
on the part and runs into the scan's border) and loose pieces that carry no machined face.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from pipeline.geometry import (
    Floats,
    Indices,
    Ints,
    area_vector,
    basis_of,
    box_of,
    rejection,
    scaled_mad,
    side_lengths,
    unit_rows,
)
from pipeline.jit import njit
from pipeline.job import Zone
from pipeline.lengths import mm
from pipeline.mesh.repair import facets_by_component, small_components
from pipeline.mesh.topology import boundary_loops, compact, components, facet_areas, facet_neighbours, facet_normals
from pipeline.surfaces import is_bore
from pipeline.values import Feature, Proposal, Source, Surface

_LEAST_FACETS = 30
_RUN = 512  # facets that are passed over at once
# A turned, drilled or flat bottom is smooth to the noise; paper, clay and cast webs are not.
_ROUGH_SIGMAS = 6.0
_ROUGH_LEAST = 0.06
# A post is longer than it is thick; a cast boss is not: common practice, no source.
_POST_LENGTH = 1.5


def propose(
    surface: Surface, labels: Ints, features: Sequence[Feature], source: Source, neighbours: Ints | None = None
) -> tuple[Proposal, ...]:
    """Patches of the cleaned, measured surface that are probably not the part, plugs first.

    labels      (m,) int32 feature of each facet, -1 none
    features    recovered ones; plugs are looked for in their bores
    source      of the scan: its noise, mean edge and bounds, mm
    neighbours  (m, 3) of the facets, if they are known already

    Below, a plate with a crumb over it; the zone proposed is the crumb's box and 0.01 mm round it.

    >>> v = [[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [1, 1, 5], [2, 1, 5], [1, 2, 5]]
    >>> surface = Surface.measured(v, [[0, 1, 2], [0, 2, 3], [4, 5, 6]])
    >>> source = Source("scan.stl", "", 3, 7, "mm", 1.0, 0.01, 7.0, ((0.0, 0.0, 0.0), (10.0, 10.0, 5.0)))
    >>> (found,) = propose(surface, np.full(3, -1, np.int32), (), source)
    >>> found.what, found.area, found.zone.low, found.zone.high
    ('loose piece', 0.5, (0.99, 0.99, 4.99), (2.01, 2.01, 5.01))
    """
    v, f = surface.vertices, surface.faces
    if neighbours is None:
        neighbours = facet_neighbours(f, len(v))
    boxes = _boxes(v, f)
    found = _plugs(v, f, boxes, labels, features, source)
    found += _posts(v, f, boxes, labels, neighbours, source)
    found += _loose(v, f, labels, neighbours)
    return tuple(found)


def _zone(shape: Literal["box", "cylinder"], **values: Floats | float) -> Zone:
    """A zone to paste into a job file: its lengths in whole micrometres."""
    plain = {
        key: tuple(round(float(x), 3) for x in value) if isinstance(value, np.ndarray) else round(float(value), 3)
        for key, value in values.items()
    }
    return Zone.model_validate({"shape": shape, "coordinates": "scan", **plain})


@njit(cache=True)
def _boxes(v: Floats, f: Ints) -> Floats:
    """(k, 6) lowest and highest coordinates of runs of facets: neighbours in a scan's file are near each other."""
    out = np.empty(((f.shape[0] + _RUN - 1) // _RUN, 6))
    for run in range(out.shape[0]):
        for k in range(3):
            out[run, k], out[run, 3 + k] = np.inf, -np.inf
        for i in range(run * _RUN, min((run + 1) * _RUN, f.shape[0])):
            for corner in range(3):
                for k in range(3):
                    x = v[f[i, corner], k]
                    out[run, k] = min(out[run, k], x)
                    out[run, 3 + k] = max(out[run, 3 + k], x)
    return out


@njit(cache=True)
def _within(
    v: Floats, f: Ints, boxes: Floats, point: Floats, direction: Floats, radius: float, low: float, high: float
) -> Floats:
    """(k, 3) index, axial place and distance from the axis of facets whose middle lies in a cylinder."""
    out = np.empty((1024, 3))
    count = 0
    far = radius**2 + max(abs(low), abs(high)) ** 2
    for run in range(boxes.shape[0]):
        away = 0.0
        for k in range(3):
            away += max(boxes[run, k] - point[k], 0.0, point[k] - boxes[run, 3 + k]) ** 2
        if away > far:
            continue
        for i in range(run * _RUN, min((run + 1) * _RUN, f.shape[0])):
            along = 0.0
            square = 0.0
            for k in range(3):
                offset = (v[f[i, 0], k] + v[f[i, 1], k] + v[f[i, 2], k]) / 3 - point[k]
                along += offset * direction[k]
                square += offset * offset
            if along < low or along > high or square - along * along > radius * radius:
                continue
            if count == out.shape[0]:
                grown = np.empty((2 * count, 3))
                grown[:count] = out
                out = grown
            out[count, 0] = i
            out[count, 1] = along
            out[count, 2] = np.sqrt(max(square - along * along, 0.0))
            count += 1
    return out[:count]


def _pieces(f: Ints, chosen: Indices) -> list[Indices]:
    """Connected pieces of some facets, as positions in `chosen`, largest first."""
    corners, faces = np.unique(f[chosen], return_inverse=True)
    faces = faces.reshape(-1, 3)
    neighbours: Ints = facet_neighbours(faces.astype(np.int32), len(corners))
    return facets_by_component(components(neighbours))


def _plugs(
    v: Floats, f: Ints, boxes: Floats, labels: Ints, features: Sequence[Feature], source: Source
) -> list[Proposal]:
    found = []
    for bore in features:
        if not is_bore(bore) or bore.extent.along is None:
            continue
        assert bore.radius is not None
        assert bore.direction is not None
        low, high = bore.extent.along
        reach = 0.93 * bore.radius
        table = _within(v, f, boxes, bore.point, bore.direction, reach, low - bore.radius, high + bore.radius)
        facets = table[:, 0].astype(np.int64)
        free = np.flatnonzero(labels[facets] < 0)
        if len(free) < _LEAST_FACETS:
            continue
        spans = [
            free[piece]
            for piece in _pieces(f, facets[free])
            if len(piece) >= _LEAST_FACETS and _is_plug(v, f, facets[free[piece]], bore, reach, source.noise_sigma)
        ]
        if not spans:
            continue
        plug = np.concatenate(spans)
        margin = 1.5 * source.mean_edge
        start, end = table[plug, 1].min() - margin, table[plug, 1].max() + margin
        if (labels[facets[(table[:, 1] > start) & (table[:, 1] < end)]] >= 0).mean() > 0.02:
            # Something machined lies in there too: a zone would cut the part.
            continue
        area = float(facet_areas(v, f[facets[plug]]).sum())
        found.append(
            Proposal(
                what="plug",
                centre=v[f[facets[plug]]].mean(axis=(0, 1)),
                area=area,
                reason=f"a rough sheet spans {bore.id} (diameter {mm(2 * bore.radius, '.1f')}) and is no machined "
                "bottom",
                zone=_zone(
                    "cylinder",
                    start=bore.point + start * bore.direction,
                    end=bore.point + end * bore.direction,
                    # The middle of a wall facet lies inside the wall, by its sagitta and the noise.
                    radius=bore.radius - 5 * source.noise_sigma - source.mean_edge**2 / (2 * bore.radius),
                ),
            )
        )
    return found


def _is_plug(v: Floats, f: Ints, facets: Indices, bore: Feature, reach: float, sigma: float) -> bool:
    """Whether a piece of surface spans the bore's section and is not the smooth bottom that a tool leaves."""
    assert bore.direction is not None
    points = v[np.unique(f[facets])] - bore.point
    along = points @ bore.direction
    x, y = (points @ axis for axis in basis_of(bore.direction))
    # Cells of equal area: five rings, twelve sectors each.
    ring = np.minimum(5 * (x**2 + y**2) / reach**2, 4.999).astype(int)
    sector = ((np.arctan2(y, x) / (2 * np.pi) % 1.0) * 12).astype(int) % 12
    if len(np.unique(12 * ring + sector)) < 36:
        return False
    facing = facet_normals(v, f[facets]) @ bore.direction
    if abs(facing.mean()) < 0.5 or len(points) < 40:
        return False
    # What a tool leaves is a surface of revolution about the axis, steps and all, or a plane across it.
    rings = np.array_split(np.argsort(x**2 + y**2, kind="stable"), max(len(x) // 20, 2))
    tilt = np.stack([x, y], axis=1)
    slope = np.zeros(2)
    for _ in range(4):
        rest = along - tilt @ slope
        for members in rings:
            rest[members] -= np.median(rest[members])
        slope += np.linalg.lstsq(tilt, rest, rcond=None)[0]
    return scaled_mad(rest, 0.0) > max(_ROUGH_SIGMAS * sigma, _ROUGH_LEAST)


def _posts(v: Floats, f: Ints, boxes: Floats, labels: Ints, neighbours: Ints, source: Source) -> list[Proposal]:
    facets, sides = np.divmod(np.flatnonzero(neighbours < 0), 3)
    starts: dict[tuple[int, int], int] = {
        (int(a), int(b)): int(i) for a, b, i in zip(f[facets, sides], f[facets, (sides + 1) % 3], facets, strict=True)
    }
    size = float(np.linalg.norm(np.subtract(*source.bounds)))
    found = []
    for loop in boundary_loops(f, len(v), neighbours):
        points = v[loop]
        length = float(side_lengths(points).sum())
        if len(loop) < 12 or length > 0.5 * size:
            continue
        rim = np.array([starts[int(a), int(b)] for a, b in zip(loop, np.roll(loop, -1), strict=True)])
        post = _post(v, f, boxes, labels, rim, points, source.mean_edge)
        if post is not None:
            found.append(post)
    return found


def _post(
    v: Floats, f: Ints, boxes: Floats, labels: Ints, rim: Indices, points: Floats, edge: float
) -> Proposal | None:
    centre = points.mean(axis=0)
    normals = facet_normals(v, f[rim])
    turned = area_vector(points)
    axis = turned / max(float(np.linalg.norm(turned)), 1e-300)
    away = points - centre
    radius = float(np.median(np.linalg.norm(rejection(away, axis), axis=1)))
    outward = unit_rows(away)
    # A gap in a face has normals along its axis, a hole's unseen end has them towards it.
    if np.median(np.abs(normals @ axis)) > 0.5 or np.mean(np.einsum("ij,ij->i", normals, outward) > 0.3) < 0.8:
        return None
    inwards = np.sign(np.median((v[f[rim]].mean(axis=1) - centre) @ axis)) * axis
    table = _within(v, f, boxes, centre, inwards, 2.5 * radius, -2 * radius, 12 * radius)
    near = table[:, 0].astype(np.int64)
    mine = next((p for p in _pieces(f, near) if np.isin(rim, near[p]).any()), None)
    if mine is None:
        return None
    near, along = near[mine], table[mine, 1]
    facing = facet_normals(v, f[near])
    # The arm's own axis is what its normals are square to.
    tip = (along < 1.5 * radius) & (table[mine, 2] < 1.5 * radius)
    turned = np.linalg.eigh(facing[tip].T @ facing[tip])[1][:, 0]
    inwards = turned if turned @ inwards > 0 else -turned
    offset = v[f[near]].mean(axis=1) - centre
    along = offset @ inwards
    across = rejection(offset, inwards)
    width = float(np.percentile(np.linalg.norm(across[tip], axis=1), 90))
    end = _end_of_arm(along, across, facing, inwards, width, max(2.5 * edge, 0.15 * radius))
    if end is None or end < _POST_LENGTH * width:
        return None
    arm = (along < end) & (np.linalg.norm(across, axis=1) < 1.4 * width)
    if (labels[near[arm]] >= 0).mean() > 0.3:
        return None
    return Proposal(
        what="post",
        centre=v[f[near[arm]]].mean(axis=(0, 1)),
        area=float(facet_areas(v, f[near[arm]]).sum()),
        reason=f"an arm some {mm(2 * width, '.0f')} thick stands on the part and runs into the scan's border after "
        f"{mm(end, '.0f')}: a stub of the stand or a clamp",
        zone=_zone(
            "cylinder",
            start=centre + (along.min() - 2 * edge) * inwards,
            end=centre + end * inwards,
            radius=1.15 * float(np.linalg.norm(across[arm], axis=1).max()),
        ),
    )


def _end_of_arm(
    along: Floats, across: Floats, facing: Floats, inwards: Floats, width: float, step: float
) -> float | None:
    """How far the arm goes before it flares out onto the part, mm; None if it does not, or is open at a side."""
    first, second = basis_of(inwards)
    distance = np.linalg.norm(across, axis=1)
    place = float(along.min()) + step
    while place < along.max():
        mine = (along >= place) & (along < place + step)
        place += step
        if np.count_nonzero(mine) < 8:
            return None
        out = facing[mine] @ inwards
        if np.percentile(distance[mine], 90) > 1.3 * width or np.median(out) < -0.5:
            return place - step
        if np.median(out) > 0.5:
            return None
        angle = np.arctan2(facing[mine] @ second, facing[mine] @ first)
        if len(np.unique((angle / (2 * np.pi) % 1.0 * 12).astype(int) % 12)) < 8:
            return None
    return None


def _loose(v: Floats, f: Ints, labels: Ints, neighbours: Ints) -> list[Proposal]:
    pieces = components(neighbours)
    if pieces.max() == 0:
        return []
    apart = small_components(v, f, neighbours, pieces, facet_areas(v, f), 1.0).debris
    found = []
    for members in facets_by_component(pieces)[1:]:
        if not apart[members[0]] or (labels[members] >= 0).mean() > 0.1:
            continue
        points, _, _ = compact(v, f[members])
        low, high = box_of(points)
        found.append(
            Proposal(
                what="loose piece",
                centre=points.mean(axis=0),
                area=float(facet_areas(v, f[members]).sum()),
                reason="it hangs together with nothing, lies in no opening and carries no machined face",
                zone=_zone("box", low=low - 0.01, high=high + 0.01),
            )
        )
    return found
