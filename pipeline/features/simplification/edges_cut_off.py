"""How much of its sharp edges a scan may have cut off: its facets bridge an edge, since no point of them lies on it.

Two sides of an edge that turns by an angle a, bridged by a chord of length l whose ends lie as far from the edge: the
middle of the chord is l / 2 * sin(a / 2) from either side, and nothing of it is farther.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.jit import njit, prange
from pipeline.mesh.topology import facet_normals, vertex_facets, vertex_ring

# Against a scan's mean edge: its longest chords over an edge, a cell's diagonal, and the radius to which it rounds one
# (from memory: a scanner resolves no finer than its points are apart).
_LONGEST, _ROUNDED = 1.45, 0.5
_MOST = 64  # vertices that are looked at round one


def cut_off(
    vertices: Floats, faces: Ints, skin: Mask, spacing: float, folded: Mask | None = None, reach: float = _LONGEST
) -> Floats:
    """(n,) mm: how far within the part the skin round each vertex may be, if its facets bridge an edge that stands out.

    vertices, faces  (n, 3) mm and (m, 3): the scan, or a light mesh of it
    skin             (m,) facets of skin; edges between others are where they should be
    spacing          mm: the mean length of the scan's edges
    folded           (m,) facets that say nothing of how the surface turns
    reach            of the spacing: how far from a vertex the surface is looked at

    All that the surface turns within its longest chord of a vertex is taken for one edge, so where it is rounded this
    is rather too much; a light mesh has no vertex nearer to many. Below, a right angle seen by facets 1 mm long.

    >>> bent = np.array([(x, y, 0.0) if x <= 4 else (4.0, y, 4.0 - x) for x in range(9) for y in range(9)])
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> faces = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> cut_off(bent, faces, np.ones(128, bool), 1.0)[4::9].round(2).tolist()
    [0.0, 0.0, 0.0, 0.66, 0.66, 0.66, 0.0, 0.0, 0.0]
    >>> cut_off(bent, faces[:, ::-1].copy(), np.ones(128, bool), 1.0).any().item()
    False
    """
    if not skin.any() or spacing <= 0:
        return np.zeros(len(vertices))
    start, ring = vertex_ring(faces, len(vertices))
    first, facets = vertex_facets(faces, len(vertices))
    middles = vertices[faces].mean(axis=1)
    round_it = _Round(start, ring, first, facets)
    told = np.ones(len(faces), dtype=np.bool_) if folded is None else ~folded
    normals = facet_normals(vertices, faces)
    half = 0.5 * _turns(vertices, middles, normals, (skin & told, told), round_it, float(reach * spacing))
    out: Floats = spacing * (0.5 * _LONGEST * np.sin(half) + _ROUNDED * (1.0 - np.cos(half)))
    return out


class _Round(NamedTuple):
    """Vertices and facets round each vertex, in compressed rows."""

    start: Ints
    ring: Ints
    first: Ints
    facets: Ints


@njit(cache=True, parallel=True)
def _turns(
    points: Floats, middles: Floats, normals: Floats, asked: tuple[Mask, Mask], rings: _Round, reach: float
) -> Floats:
    """(n,) radians that the skin turns outwards within `reach` mm of each vertex; where that is at a border of the
    skin, whose facets may bridge the other half, twice that, if the surface turns as much. asked: facets of skin, and
    all that count."""
    out = np.zeros(len(points))
    skin, every = asked
    for i in prange(len(points)):
        v = int(np.int32(i))
        found = np.empty(_MOST, dtype=np.int32)
        found[0] = v
        count, at = 1, 0
        while at < count:
            for s in range(rings.start[found[at]], rings.start[found[at] + 1]):
                w = rings.ring[s]
                d2 = 0.0
                for k in range(3):
                    d2 += (points[w, k] - points[v, k]) ** 2
                known = d2 > reach**2 or count == _MOST
                for t in range(count):
                    known = known or found[t] == w
                if not known:
                    found[count] = w
                    count += 1
            at += 1
        mine = _widest(found[:count], middles, normals, skin, rings)
        if mine > 0.0:
            out[v] = min(2.0 * mine, _widest(found[:count], middles, normals, every, rings))
    return out


@njit(cache=True)
def _widest(found: Ints, middles: Floats, normals: Floats, asked: Mask, rings: _Round) -> float:
    """The largest angle between two of the facets asked for round some vertices, 0 if all open inwards: thrice the one
    that looks farthest away from the one before, the last two times of those between which the surface stands out: a
    dent beside an edge, which noise made, turns more than the edge and hides nothing of it."""
    away, origin = -1, -1
    cosine = 1.0
    for hop in range(3):
        origin = away
        least = 1.0
        for t in range(len(found)):
            for s in range(rings.first[found[t]], rings.first[found[t] + 1]):
                f = rings.facets[s]
                if not asked[f]:
                    continue
                if origin < 0:
                    origin, away = f, f
                cosine, way = 0.0, 0.0
                for k in range(3):
                    cosine += normals[origin, k] * normals[f, k]
                    way += (middles[f, k] - middles[origin, k]) * (normals[origin, k] - normals[f, k])
                if cosine < least and (way < 0.0 or hop == 0):
                    least = cosine
                    away = f
    if origin < 0 or origin == away:
        return 0.0
    cosine = 0.0
    for k in range(3):
        cosine += normals[origin, k] * normals[away, k]
    return float(np.arccos(min(max(cosine, -1.0), 1.0)))
