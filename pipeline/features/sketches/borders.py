"""The borders of a face's facets, as closed loops in its sketch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.features.sketches.ground import SketchGround
from pipeline.geometry import FULL_TURN, Floats, Indices, Ints, Mask, signed_area, unit_rows
from pipeline.jit import njit
from pipeline.mesh.topology import FEW, ascending
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
    out = []
    for loop, points in _loops(ground, index, matrix):
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


def _loops(ground: SketchGround, index: int, matrix: Floats) -> list[tuple[Ints, Floats]]:
    """Closed walks of vertices with the face on their left, each round one thing that is none of the face, and where
    they lie in its sketch, (n, 2) mm.

    Land that is hardly wider than the scan's edges comes to a single vertex in places, or to one edge whose facets fall
    away on both sides: the face holds together there all the same.
    """
    surface = ground.surface
    measured, on_face = surface.origin == MEASURED, np.zeros(len(surface.vertices), dtype=np.bool_)
    on_face[surface.faces[ground.of(index)]] = True
    rim, ribs = _sides_of(surface.faces, measured, ground.labels, index, on_face, ground.indptr, ground.facets)
    used, numbers = np.unique(np.concatenate([rim, ribs]), return_inverse=True)
    flat = surface.vertices[used] @ matrix[:2, :3].T + matrix[:2, 3]
    rim, ribs = np.split(numbers.reshape(-1, 2), [len(rim)])
    ribs = np.unique(ribs, axis=0)
    ribs = ribs[np.linalg.norm(flat[ribs[:, 0]] - flat[ribs[:, 1]], axis=1) < RIB * ground.edge]
    walks = _walks(np.concatenate([rim, ribs, ribs[:, ::-1]]), flat)
    return [(used[walk].astype(np.int32), flat[walk]) for walk in walks]


@njit(cache=True, borrowing=True)
def _steps_at(f: Ints, labels: Ints, index: int, facets: Ints, p: int, forth: Ints, returned: Ints) -> int:
    """How many of `facets` are a face's; the vertices that these run to from p, and those that they come to p from."""
    count = 0
    for s in range(len(facets)):
        j = facets[s]
        if labels[j] == index:
            k = 0
            while f[j, k] != p:
                k += 1
            forth[count], returned[count] = f[j, (k + 1) % 3], f[j, (k + 2) % 3]
            count += 1
    return count


@njit(cache=True, borrowing=True)
def _has(values: Ints, count: int, value: int) -> bool:
    """Whether a value is among the first `count`, which are in rising order where they are many."""
    low, high = 0, count
    while high - low > FEW:
        middle = (low + high) // 2
        if values[middle] <= value:
            low = middle
        else:
            high = middle
    found = False
    for s in range(low, high):
        found |= values[s] == value
    return found


@njit(cache=True)
def _sides_of(
    f: Ints, measured: Mask, labels: Ints, index: int, on_face: Mask, indptr: Ints, facets: Ints
) -> tuple[Ints, Ints]:  # fmt: skip
    """Sides (k, 2) of a face's facets, whose vertices are `on_face` (n,), that none of them runs the other way, as they
    run them; and sides (j, 2), smaller vertex first, of measured facets beside it that join two of its vertices and are
    no sides of its own."""
    rim = [(np.int32(0), np.int32(0)) for _ in range(0)]
    ribs = [(np.int32(0), np.int32(0)) for _ in range(0)]
    vertices = np.flatnonzero(on_face)
    most = 0
    for p in vertices:
        most = max(most, indptr[p + 1] - indptr[p])
    forth, returned = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.int32)
    for p in vertices:
        count = _steps_at(f, labels, index, facets[indptr[p] : indptr[p + 1]], p, forth, returned)
        if count > FEW:
            forth[:count], returned[:count] = ascending(forth[:count]), ascending(returned[:count])
        for s in range(indptr[p], indptr[p + 1]):
            i = facets[s]
            mine = labels[i] == index
            if not mine and not measured[i]:
                continue
            k = 0
            while f[i, k] != p:
                k += 1
            q = f[i, (k + 1) % 3]
            if not mine and (q < p or not on_face[q]):
                continue
            there, back = _has(forth, count, q), _has(returned, count, q)
            if mine and not back:
                rim.append((f[i, k], q))
            elif not mine and not there and not back:
                ribs.append((f[i, k], q))
    sides = np.empty((len(rim), 2), dtype=np.int32)
    for i in range(len(rim)):
        sides[i, 0], sides[i, 1] = rim[i]
    across = np.empty((len(ribs), 2), dtype=np.int32)
    for i in range(len(ribs)):
        across[i, 0], across[i, 1] = ribs[i]
    return sides, across


def _walks(steps: Indices, flat: Floats) -> list[Indices]:
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
            out.append(start[walk])
    return out


def _opens(ground: SketchGround, index: int, loop: Ints) -> bool:
    """Whether a hole in the face's facets is one of the part: the surface beyond it leaves the face's level, or ends.

    A patch of facets on the face that recovery left out (dirt, a scratch) is not.
    """
    feature = ground.features[index]
    assert feature.direction is not None
    seen = np.zeros(len(ground.surface.vertices), dtype=np.bool_)
    seen[loop] = True
    ring: Ints = loop
    for _ in range(max(3, int(np.ceil((BELOW + 1.0) / ground.edge)))):
        ring = np.unique(ground.surface.faces[ground.facets_round(ring)])
        ring = ring[~seen[ring] & (ground.vertex_label[ring] != index)]
        seen[ring] = True
        if not len(ring):
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
