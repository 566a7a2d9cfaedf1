"""The borders of a face's facets, as closed loops in its sketch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.features.sketches.ground import SketchGround
from pipeline.geometry import FULL_TURN, Floats, Ints, Longs, Mask, signed_area, unit_rows
from pipeline.values import MEASURED

BELOW = 0.7  # mm below the face at which a scanner's rounding of the edge has ended (or twice the edge length)
RIB = 3.0  # of the scan's edges, how long one is at most that holds a face together
SMALLEST = 3.0  # mm2 of an opening


@dataclass(frozen=True)
class Loop:
    """A border of the face's facets in its sketch: points (n, 2) in order, the vertices they are, outward (n, 2)."""

    points: Floats
    vertices: Ints
    outward: Floats
    area: float


def borders_of(ground: SketchGround, index: int, matrix: Floats) -> list[Loop]:
    """The loops round a face and its openings, largest first.

    index   of the plane in the features; matrix (4, 4) scan -> sketch
    """
    mine = ground.labels == index
    flat = ground.surface.vertices @ matrix[:2, :3].T + matrix[:2, 3]
    out = []
    for loop in _loops(ground, mine, flat):
        points = flat[loop]
        area = signed_area(points)
        if len(loop) < 8 or abs(area) < max(SMALLEST, 12.0 * ground.edge**2):
            continue
        if area < 0 and not _opens(ground, index, loop):
            continue
        # Outward of the face: the facets lie on the left of their border.
        width = max(3, round(1.5 / ground.edge))
        smooth = uniform_filter1d(points, width, axis=0, mode="wrap")
        along = unit_rows(np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0))
        outward = np.column_stack([along[:, 1], -along[:, 0]])
        out.append(Loop(smooth, loop, outward, area))
    return sorted(out, key=lambda loop: -abs(loop.area))


def _loops(ground: SketchGround, mine: Mask, flat: Floats) -> list[Ints]:
    """Closed walks of vertices with the face on their left, each round one thing that is none of the face.

    Land that is hardly wider than the scan's edges comes to a single vertex in places, or to one edge whose facets fall
    away on both sides: the face holds together there all the same.

    mine  (m,) the face's facets; flat (n, 2) mm the vertices in its sketch
    """
    n, faces = len(flat), ground.surface.faces
    held = _sides(faces[mine])
    key, back = held[:, 0] * n + held[:, 1], held[:, 1] * n + held[:, 0]
    rim = held[~np.isin(key, back)]
    on_face = np.zeros(n, bool)
    on_face[faces[mine]] = True
    beside = ~mine & (ground.surface.origin == MEASURED) & (on_face[faces].sum(axis=1) > 1)
    ribs = _sides(faces[beside])
    ribs = ribs[on_face[ribs].all(axis=1) & (ribs[:, 0] < ribs[:, 1])]
    rib = np.unique(ribs[:, 0] * n + ribs[:, 1])
    rib = rib[~np.isin(rib, key) & ~np.isin(rib, back)]
    ribs = np.column_stack([rib // n, rib % n])
    ribs = ribs[np.linalg.norm(flat[ribs[:, 0]] - flat[ribs[:, 1]], axis=1) < RIB * ground.edge]
    return _walks(np.concatenate([rim, ribs, ribs[:, ::-1]]), flat)


def _sides(faces: Ints) -> Longs:
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).astype(np.int64)


def _walks(steps: Longs, flat: Floats) -> list[Ints]:
    """Directed steps (k, 2) put together: at each vertex on along the first one counter-clockwise from behind."""
    steps = steps[np.lexsort((steps[:, 1], steps[:, 0]))]
    start, end = steps.T
    first, last = np.searchsorted(start, end, "left"), np.searchsorted(start, end, "right")
    # Where sheets touch along an edge a walk may come to an end.
    follow = np.where(last > first, first, np.arange(len(steps)))
    way = flat[end] - flat[start]
    angle = np.arctan2(way[:, 1], way[:, 0])
    for k in np.flatnonzero(last - first > 1).tolist():
        turn = np.mod(angle[first[k] : last[k]] - angle[k] + np.pi, FULL_TURN)
        # To go back is the last choice.
        follow[k] += int(np.argmin(np.where(end[first[k] : last[k]] == start[k], FULL_TURN, turn)))
    out, used, on = [], [False] * len(steps), follow.tolist()
    for begin in range(len(steps)):
        k = begin
        walk: list[int] = []
        while not used[k]:
            used[k] = True
            walk.append(k)
            k = on[k]
        if walk:
            out.append(start[walk].astype(np.int32))
    return out


def _opens(ground: SketchGround, index: int, loop: Ints) -> bool:
    """Whether a hole in the face's facets is one of the part: the surface beyond it leaves the face's level, or ends.

    A patch of facets on the face that recovery left out (dirt, a scratch) is not.
    """
    feature = ground.features[index]
    assert feature.direction is not None
    seen, ring = set(loop.tolist()), loop.tolist()
    for _ in range(max(3, int(np.ceil((BELOW + 1.0) / ground.edge)))):
        nearby = {int(q) for p in ring for q in ground.around[ground.indptr[p] : ground.indptr[p + 1]]}
        ring = [q for q in nearby - seen if ground.vertex_label[q] != index]
        seen.update(ring)
        if not ring:
            return False
        height = (ground.surface.vertices[ring] - feature.point) @ feature.direction
        if np.mean(np.abs(height) > BELOW / 2) > 0.5:
            return True
    return False


def settled(found: Ints, width: int) -> Ints:
    """Runs shorter than `width` points given to what lies round them."""
    found = found.copy()
    for _ in range(3):
        runs = runs_of(found)
        short = [(a, b) for a, b in runs if b - a < width]
        if not short or len(runs) < 2:
            break
        n = len(found)
        for a, b in short:
            found[np.arange(a, b) % n] = found[(a - 1) % n]
    return found


def runs_of(values: Ints) -> list[tuple[int, int]]:
    """Stretches [a, b) of equal values round a closed run; b may pass its end."""
    n = len(values)
    starts = np.flatnonzero(values != np.roll(values, 1))
    if len(starts) == 0:
        return [(0, n)]
    ends = np.append(starts[1:], starts[0] + n)
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]
