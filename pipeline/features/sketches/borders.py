"""The borders of a face's facets, as closed loops in its sketch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.features.sketches.ground import SketchGround
from pipeline.geometry import Floats, Ints, signed_area, unit_rows
from pipeline.mesh.topology import boundary_loops

BELOW = 0.7  # mm below the face at which a scanner's rounding of the edge has ended (or twice the edge length)
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
    faces = ground.surface.faces[ground.labels == index]
    out = []
    for loop in boundary_loops(faces, len(ground.surface.vertices)):
        points = ground.surface.vertices[loop] @ matrix[:2, :3].T + matrix[:2, 3]
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
