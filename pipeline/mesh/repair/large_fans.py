"""Large fans: very many facets about one point, as CAD draws the end of a shaft or the tip of a cone.

What is looked for about a vertex takes the longer the more facets there are, and so many needles lie in each other's
boxes. Two facets beside each other become one at the point and one at the rim where they go on straight: the edge
between them is turned. Every second edge a turn, so that a fan is halved in each, and facets get wider towards it.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Indices, Ints, Longs, Mask, box_of
from pipeline.jit import njit

_STRAIGHT = 2e-6  # of the mesh's diagonal: single precision leaves half a millionth of a size
_LEVEL = 0.05  # cosine between a new facet and what it replaces; at the rim of a steep cone it is a narrow ledge
_SHORT = 8  # facets: in a shorter fan turned edges would meet
_WIDE = 1e-6  # least height of a new facet over its longest side, of that


@njit(cache=True)
def _is_edge(edges: Longs, key: int) -> bool:
    at = np.searchsorted(edges, key)
    return bool(at < edges.size and edges[at] == key)


@njit(cache=True)
def _normal(v: Floats, a: int, b: int, c: int, out: Floats) -> float:
    """Twice the area vector of a, b, c; its length."""
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    out[0], out[1], out[2] = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    return np.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2)


@njit(cache=True)
def _goes_straight(v: Floats, hub: int, rim: tuple[int, int, int], most: float) -> bool:
    """Whether the facets hub-a-b and hub-b-c may become hub-a-c and a-b-c: b lies within `most` of the first."""
    a, b, c = rim
    before, after, inner, outer = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    _normal(v, hub, a, b, before)
    _normal(v, hub, b, c, after)
    large, small = _normal(v, hub, a, c, inner), _normal(v, a, b, c, outer)
    both = before + after
    size = np.sqrt((both**2).sum())
    across = np.sqrt(((v[c] - v[a]) ** 2).sum())
    if not (large > 0.0 and size > 0.0 and small > _WIDE * across * across):
        return False
    height = abs(((v[b] - v[hub]) * inner).sum()) / large
    return (
        height <= most and (inner * both).sum() > _LEVEL * large * size and (outer * both).sum() > _LEVEL * small * size
    )


@njit(cache=True)
def _halve(v: Floats, f: Ints, hub: int, fan: Ints, follows: Ints, edges: Longs, most: float) -> int:
    """Turn every second edge of the fan where that can be; how many were.

    fan      (d, 3) facet, and its rim's vertices in their order
    follows  (d,) row of the facet on the other side of the latter, -1 none
    edges    sorted keys, small * n + large, of the edges there are between vertices of the rim
    """
    count = len(fan)
    first = np.ones(count, dtype=np.bool_)
    for i in range(count):
        if follows[i] >= 0:
            first[follows[i]] = False
    done = np.zeros(count, dtype=np.bool_)
    chain = np.empty(count, dtype=np.int32)
    turned = 0
    for again in range(2):  # open fans, then closed ones
        for start in range(count):
            if done[start] or (again == 0 and not first[start]):
                continue
            length, i = 0, start
            while i >= 0 and not done[i]:
                done[i] = True
                chain[length] = i
                length += 1
                i = follows[i]
            s = 0
            while length >= _SHORT and s + 1 < length:
                i, j = chain[s], chain[s + 1]
                a, b, c = fan[i, 1], fan[i, 2], fan[j, 2]
                key = np.int64(min(a, c)) * len(v) + max(a, c)
                if a != c and not _is_edge(edges, key) and _goes_straight(v, hub, (a, b, c), most):
                    f[fan[i, 0], 0], f[fan[i, 0], 1], f[fan[i, 0], 2] = hub, a, c
                    f[fan[j, 0], 0], f[fan[j, 0], 1], f[fan[j, 0], 2] = a, b, c
                    turned += 1
                    s += 1
                s += 1
    return turned


def smaller_fans(v: Floats, f: Ints, most: int) -> tuple[Ints, int]:
    """Faces (m, 3) with no more than `most` facets about a vertex, where fans go on straight, and how many changed.

    v, f  vertices (n, 3) and faces (m, 3). No vertex moves, the surface some millionths of its size at most. A fan of
          no more stays as it is, and so does what can't be made smaller; others are, down to a quarter of `most`.

    A disc of 40 facets about its middle:

    >>> turn = 2.0 * np.pi * np.arange(40) / 40
    >>> v = np.vstack([np.zeros(3), np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])])
    >>> f = np.array([[0, 1 + k, 1 + (k + 1) % 40] for k in range(40)], np.int32)
    >>> smaller, changed = smaller_fans(v, f, 10)
    >>> np.bincount(smaller.ravel())[0].item(), changed, len(smaller)
    (2, 40, 40)
    """
    hubs = np.flatnonzero(np.bincount(f.ravel(), minlength=len(v)) > most)
    if not len(hubs):
        return f, 0
    low, high = box_of(v)
    far = _STRAIGHT * float(np.linalg.norm(high - low))
    out = np.ascontiguousarray(f, dtype=np.int32).copy()
    for hub in hubs:
        while True:
            fan, follows = _fan_of(out, int(hub))
            if len(fan) <= most // 4 or not _halve(v, out, int(hub), fan, follows, _edges_of(out, fan, len(v)), far):
                break
    return out, int(np.count_nonzero((out != f).any(axis=1)))


def _fan_of(f: Ints, hub: int) -> tuple[Ints, Ints]:
    """Of the facets about a vertex: (d, 3) each with its rim's two vertices, and (d,) which one follows it."""
    facets, corners = np.nonzero(f == hub)
    fan = np.column_stack([facets, f[facets, (corners + 1) % 3], f[facets, (corners + 2) % 3]]).astype(np.int32)
    ends, begins = fan[:, 2], fan[:, 1]
    order = np.argsort(begins, kind="stable")
    at = np.minimum(np.searchsorted(begins[order], ends), len(fan) - 1)
    found = order[at]
    good = (begins[found] == ends) & _alone(begins)[found] & _alone(ends)
    return fan, np.where(good, found, -1).astype(np.int32)


def _alone(values: Indices | Ints) -> Mask:
    """(d,) which values no other one is equal to."""
    _, where, counts = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray(counts[where] == 1, dtype=bool)


def _edges_of(f: Ints, fan: Ints, n: int) -> Longs:
    """Sorted keys of the edges between vertices of the rim."""
    on_rim = np.zeros(n, dtype=bool)
    on_rim[fan[:, 1:]] = True
    some = f[np.count_nonzero(on_rim[f], axis=1) >= 2].astype(np.int64)
    ends = np.concatenate([some[:, [0, 1]], some[:, [1, 2]], some[:, [2, 0]]])
    keys = ends.min(axis=1) * n + ends.max(axis=1)
    return np.unique(keys)
