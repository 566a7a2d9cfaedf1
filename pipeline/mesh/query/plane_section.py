"""Outlines in which a plane cuts a mesh."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Longs


def plane_section(vertices: Floats, faces: Ints, point: Floats, normal: Floats) -> list[Floats]:
    """The runs in which a plane cuts a mesh: (k, 3) mm each, closed ones end where they begin.

    vertices, faces  (n, 3) mm and (m, 3)
    point, normal    (3,) mm and unit: of the plane

    A corner that lies on the plane counts as above it, so that a closed mesh without facets that fold gives closed
    runs only.

    >>> tetrahedron = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [0, 0, 4]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    >>> (run,) = plane_section(tetrahedron, faces, np.array([0, 0, 1.0]), np.array([0, 0, 1.0]))
    >>> len(run), sorted(map(tuple, run[:-1].tolist()))
    (4, [(0.0, 0.0, 1.0), (0.0, 3.0, 1.0), (3.0, 0.0, 1.0)])
    """
    height = (vertices - point) @ normal
    above = height >= 0.0
    cut = np.flatnonzero(above[faces].any(axis=1) & ~above[faces].all(axis=1))
    begin, finish = faces[cut], np.roll(faces[cut], -1, axis=1)
    crosses = above[begin] != above[finish]  # two of the three edges of each
    low, high = np.minimum(begin, finish)[crosses], np.maximum(begin, finish)[crosses]
    edges, ends = np.unique(np.column_stack([low, high]), axis=0, return_inverse=True)
    if not len(edges):
        return []
    a, b = height[edges[:, 0]], height[edges[:, 1]]
    share = (a / (a - b))[:, None]
    places = vertices[edges[:, 0]] + share * (vertices[edges[:, 1]] - vertices[edges[:, 0]])
    return [places[run] for run in _chained(ends.reshape(-1, 2).astype(np.int64))]


def _chained(pairs: Longs) -> list[list[int]]:
    """Pairs of ends (k, 2) as runs of ends, open ones from their beginning."""
    touching: dict[int, list[int]] = {}
    for number, (p, q) in enumerate(pairs.tolist()):
        touching.setdefault(p, []).append(number)
        touching.setdefault(q, []).append(number)
    ends = pairs.tolist()
    used = np.zeros(len(pairs), bool)
    runs = []
    starts = [p for p, at in touching.items() if len(at) == 1]
    for p in [*starts, *touching]:
        run = [p]
        while (n := next((n for n in touching[run[-1]] if not used[n]), None)) is not None:
            used[n] = True
            run.append(ends[n][1] if ends[n][0] == run[-1] else ends[n][0])
        if len(run) > 1:
            runs.append(run)
    return runs
