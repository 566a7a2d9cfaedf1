"""Compiled walks over the vertices of a mesh: smoothing of normals, patches, growth of a region, what lies beyond it.

A region is an array of vertex ids. Rings are the neighbours of vertices in compressed rows (indptr,
indices) as mesh/topology makes them. The longer walks unpack the arrays that they are given in tuples once, and hand
single ones to what they call for each vertex.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints, Mask, Singles
from pipeline.jit import njit, prange
from pipeline.mesh.topology import facet_area
from pipeline.surfaces import FLAT, gradient

NO_REGION = -1  # label of a vertex that no region has
GATE = 4.0  # a region takes vertices within so many standard deviations
# A normal turned further than this from that at the rim, within so many rings: an edge lies between, no fillet.
_EDGE, _SHARP = np.cos(np.radians(25.0)), 2


class Mesh(NamedTuple):
    """What growth reads of a mesh, per vertex; see `segmentation.search.Segmentation`."""

    vertices: Floats
    normals: Floats
    indptr: Ints
    indices: Ints
    label: Ints
    turn: Singles
    edge: Singles
    share: Singles


class Scratch(NamedTuple):
    """Arrays (n,) that one growth at a time writes; stamp (1,): vertices marked with less are unmarked."""

    mark: Ints
    out: Ints
    source: Ints
    rim: Mask
    stamp: Ints


class Gauge(NamedTuple):
    """The scan's noise, mm, and the cosine of the angle that a normal may be off."""

    white: float
    wave: float
    sigma: float
    cosine: float


class Candidate(NamedTuple):
    """A surface that a region may be on: the kind's code, the packed shape, and which way the facets face on it.

    sign  +1.0 where their normals agree with the geometric ones, -1.0 where they oppose them
    """

    code: int
    packed: Floats
    sign: float


@njit(cache=True, parallel=True)
def ring_measures(vertices: Floats, indptr: Ints, indices: Ints) -> Singles:
    """Mean edge length (n,) at each vertex, float32 mm; 0 for a vertex without ring."""
    edge = np.zeros(len(vertices), dtype=np.float32)
    for i in prange(len(vertices)):
        total = 0.0
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            dx, dy, dz = (
                vertices[j, 0] - vertices[i, 0],
                vertices[j, 1] - vertices[i, 1],
                vertices[j, 2] - vertices[i, 2],
            )
            total += np.sqrt(dx * dx + dy * dy + dz * dz)
        if indptr[i + 1] > indptr[i]:
            edge[i] = total / (indptr[i + 1] - indptr[i])
    return edge


@njit(cache=True)
def vertex_shares(vertices: Floats, faces: Ints) -> Singles:
    """A third of the area of the facets at each vertex (n,), float32 mm2."""
    total = np.zeros(len(vertices))
    for i in range(len(faces)):
        area = facet_area(vertices, faces, i)
        for k in range(3):
            total[faces[i, k]] += area
    return (total / 3.0).astype(np.float32)


@njit(cache=True, parallel=True)
def smoothed(normals: Floats, indptr: Ints, indices: Ints, gate: float, out: Floats) -> None:
    """One pass of averaging unit normals (n, 3) over the ring into `out`, leaving out those beyond the cosine `gate`.

    The gate keeps edges sharp: across them nothing is averaged.
    """
    for i in prange(len(normals)):
        a, b, c = normals[i, 0], normals[i, 1], normals[i, 2]
        x, y, z = a, b, c
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            p, q, r = normals[j, 0], normals[j, 1], normals[j, 2]
            if a * p + b * q + c * r > gate:
                x += p
                y += q
                z += r
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0.0:
            x, y, z = x / length, y / length, z / length
        out[i, 0], out[i, 1], out[i, 2] = x, y, z


@njit(cache=True, parallel=True)
def bends(normals: Floats, indptr: Ints, indices: Ints) -> Singles:
    """Largest turn of the normal within the ring (n,), rad, float32; pi without a ring."""
    out = np.empty(len(normals), dtype=np.float32)
    for i in prange(len(normals)):
        least = 1.0
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            least = min(
                least,
                normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2],
            )
        out[i] = np.arccos(max(least, -1.0)) if indptr[i + 1] > indptr[i] else np.pi
    return out


@njit(cache=True, parallel=True)
def ring_maximum(values: Singles, indptr: Ints, indices: Ints) -> Singles:
    """Each value replaced by the largest in its ring and itself."""
    out = values.copy()
    for i in prange(len(values)):
        for k in range(indptr[i], indptr[i + 1]):
            out[i] = max(out[i], values[indices[k]])
    return out


@njit(cache=True, nogil=True)
def spread_seeds(
    vertices: Floats, normals: Floats, bend: Singles, label: Ints, barred: Mask, cell: float, origin: Floats
) -> Ints:
    """One vertex, that with the smallest bend, of each cube of edge `cell` and main direction of the normal.

    Vertices of regions and barred ones are left out. The direction keeps the two sides of a thin wall apart.
    """
    n = len(vertices)
    size = 1
    while size < 2 * n:
        size *= 2
    size = min(size, 1 << 22)
    keys = np.full(size, -1, dtype=np.int64)
    best = np.empty(size, dtype=np.int32)
    mask = size - 1
    count = 0
    for i in range(n):
        if label[i] != NO_REGION or barred[i]:
            continue
        side = 0
        for k in range(1, 3):
            if abs(normals[i, k]) > abs(normals[i, side]):
                side = k
        if normals[i, side] < 0:
            side += 3
        key = np.int64(side)
        for k in range(3):
            key = key * np.int64(1 << 20) + np.int64((vertices[i, k] - origin[k]) / cell)
        slot = (key * np.int64(-7046029254386353131) >> 20) & mask
        while keys[slot] != -1 and keys[slot] != key:
            slot = (slot + 1) & mask
        if keys[slot] == -1:
            if count * 2 > size:
                break
            keys[slot] = key
            best[slot] = i
            count += 1
        elif bend[i] < bend[best[slot]]:
            best[slot] = i
    out = np.empty(count, dtype=np.int32)
    at = 0
    for place in range(size):
        if keys[place] != -1:
            out[at] = best[place]
            at += 1
    return np.sort(out)


@njit(cache=True, nogil=True)
def near_bends(turn: Singles, indptr: Ints, indices: Ints, edge: Singles, sharp: float, radius: float) -> Mask:
    """(n,) whether a vertex lies within about `radius` mm, along edges, of one where the surface turns sharply.

    turn, edge  (n,) rad that the normal turns within a ring and mm that its edges are long
    sharp       rad/mm of that from which on a turn is sharp
    """
    n = len(turn)
    left = np.full(n, -1.0, dtype=np.float32)
    front = np.empty(n, dtype=np.int32)
    count = 0
    for i in range(n):
        if turn[i] / max(edge[i], np.float32(1e-30)) > sharp:
            left[i] = radius
            front[count] = i
            count += 1
    at = 0
    while at < count:
        i = front[at]
        at += 1
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            # A path along edges is some 10 % longer than the straight one.
            if left[j] < 0.0 and left[i] > 0.9 * edge[i]:
                left[j] = left[i] - 0.9 * edge[i]
                front[count] = j
                count += 1
    return left >= 0.0


@njit(cache=True, borrowing=True)
def patch(mesh: Mesh, crease: float, seed: int, radius: float, table: Ints, out: Ints) -> int:
    """Vertices of no region joined to `seed` within `radius`, in rings; returns how many are in `out`.

    Those with a turn of the normal over `crease` are left out, so that a patch ends at creases.
    `table` is scratch of a power of two in length, all -1 on entry and on return.
    """
    vertices, indptr, indices, label, turn = mesh.vertices, mesh.indptr, mesh.indices, mesh.label, mesh.turn
    mask = len(table) - 1
    limit = min(len(out), len(table) // 2)
    count = 1
    out[0] = seed
    table[(seed * 40503) & mask] = seed
    at = 0
    square = radius * radius
    while at < count:
        i = out[at]
        at += 1
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            slot = (j * 40503) & mask
            while table[slot] != -1 and table[slot] != j:
                slot = (slot + 1) & mask
            if table[slot] == j or count >= limit or label[j] != NO_REGION or turn[j] > crease:
                continue
            dx, dy, dz = (
                vertices[j, 0] - vertices[seed, 0],
                vertices[j, 1] - vertices[seed, 1],
                vertices[j, 2] - vertices[seed, 2],
            )
            if dx * dx + dy * dy + dz * dz > square:
                continue
            table[slot] = j
            out[count] = j
            count += 1
    for k in range(count):
        slot = (out[k] * 40503) & mask
        while table[slot] != -1:
            table[slot] = -1
            slot = (slot + 1) & mask
    return count


@njit(cache=True, borrowing=True)
def _lies_on(on: Candidate, vertices: Floats, normals: Floats, i: int, reach: float, cosine: float) -> bool:
    """Whether a vertex lies within `reach` mm of a surface and faces the way it does."""
    away, gx, gy, gz = gradient(on.code, on.packed, vertices[i, 0], vertices[i, 1], vertices[i, 2])
    facing = on.sign * (gx * normals[i, 0] + gy * normals[i, 1] + gz * normals[i, 2])
    return bool(abs(away) <= reach and facing >= cosine)


@njit(cache=True, borrowing=True)
def grow(on: Candidate, start: Ints, limit: int, mesh: Mesh, scratch: Scratch, gauge: Gauge) -> int:
    """Spread from `start` over joined vertices of no region that lie on a surface; returns how many in scratch.out.

    On the surface: within GATE times the noise and with the normal within the gauge's angle of its geometric normal
    times the sign. Vertices taken get the stamp for mark, those looked at and left one more. The scratch's `rim` is
    written for vertices taken: whether some of their ring was not.
    """
    vertices, normals, indptr, indices, label = mesh.vertices, mesh.normals, mesh.indptr, mesh.indices, mesh.label
    mark, out, rim, stamp = scratch.mark, scratch.out, scratch.rim, scratch.stamp[0]
    reach, cosine = GATE * gauge.sigma, gauge.cosine
    count = 0
    for k in range(len(start)):
        i = start[k]
        if mark[i] < stamp and label[i] == NO_REGION:
            mark[i] = stamp + 1
            if _lies_on(on, vertices, normals, i, reach, cosine):
                mark[i] = stamp
                out[count] = i
                count += 1
    at = 0
    while at < count and count < limit:
        i = out[at]
        at += 1
        rim[i] = False
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            if mark[j] < stamp and label[j] == NO_REGION:
                mark[j] = stamp + 1
                if _lies_on(on, vertices, normals, j, reach, cosine):
                    mark[j] = stamp
                    out[count] = j
                    count += 1
            rim[i] |= mark[j] != stamp
    for k in range(at, count):
        i = out[k]
        rim[i] = False
        for e in range(indptr[i], indptr[i + 1]):
            rim[i] |= mark[indices[e]] != stamp
    return count


@njit(cache=True, parallel=True)
def facet_labels(faces: Ints, label: Ints) -> Ints:
    """(m,) the region that all three corners belong to, else -1."""
    out = np.full(len(faces), -1, dtype=np.int32)
    for i in prange(len(faces)):
        a = label[faces[i, 0]]
        if a >= 0 and a == label[faces[i, 1]] and a == label[faces[i, 2]]:
            out[i] = a
    return out


@njit(cache=True)
def whole_areas(vertices: Floats, faces: Ints, label: Ints, first: int, count: int) -> Floats:
    """(count,) mm2 of the facets all three corners of which belong to the regions `first`, `first + 1` and so on."""
    out = np.zeros(count)
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        own = label[a] - first
        if own < 0 or own >= count or label[b] != label[a] or label[c] != label[a]:
            continue
        out[own] += facet_area(vertices, faces, i)
    return out


@njit(cache=True, borrowing=True)
def _rings_beyond(flat: bool, rim: Ints, own: int, rings: int, mesh: Mesh, scratch: Scratch) -> tuple[int, int]:
    """Walk out from a region's rim: (first, count), so that scratch.out[first:count] is the outermost of the rings.

    Those walked over stand before it, and in `source` the vertex at the rim that each was reached from, or -1 for what
    lies beyond the edge of a `flat` one.
    """
    normals, indptr, indices, label = mesh.normals, mesh.indptr, mesh.indices, mesh.label
    mark, out, source, stamp = scratch.mark, scratch.out, scratch.source, scratch.stamp[0]
    count = 0
    for k in range(len(rim)):
        i = rim[k]
        for e in range(indptr[i], indptr[i + 1]):
            j = indices[e]
            if mark[j] != stamp and mark[j] != stamp + 2:
                mark[j] = stamp + 2
                out[count] = j
                source[count] = i
                count += 1
    at = 0
    for ring in range(rings - 1):
        end = count
        while at < end:
            i, last = out[at], source[at]
            at += 1
            if label[i] != NO_REGION and label[i] != own:
                continue
            if flat and last >= 0 and ring < _SHARP:
                turn = normals[i, 0] * normals[last, 0] + normals[i, 1] * normals[last, 1]
                turn += normals[i, 2] * normals[last, 2]
                last = last if turn > _EDGE else -1
            for e in range(indptr[i], indptr[i + 1]):
                j = indices[e]
                if mark[j] != stamp and mark[j] != stamp + 2:
                    mark[j] = stamp + 2
                    out[count] = j
                    source[count] = last
                    count += 1
    return at, count


@njit(cache=True, borrowing=True)
def count_beyond(
    on: Candidate, rim: Ints, own: int, rings: int, tangent: float, mesh: Mesh, scratch: Scratch, gauge: Gauge
) -> tuple[int, int, int]:
    """What lies `rings` rings beyond a region: (carrying on, tangent, all), counts of vertices.

    Carrying on: of no region, the normal within the gauge's angle of the surface carried on there.
    Tangent: of no region, the normal within that of the cosine `tangent` of the normal at the rim that it was reached
    from. What lies beyond the edge of a plane is neither, whichever way it faces: on coarse facets a few rings
    lead over a step onto what is parallel to it. Members have the stamp for mark, `rim` are those at the rim at least;
    what has the label `own` counts as of no region. The stamp + 2 is used up. Where the mesh ends nothing is counted.
    """
    vertices, normals, label, cosine = mesh.vertices, mesh.normals, mesh.label, gauge.cosine
    out, source = scratch.out, scratch.source
    first, count = _rings_beyond(FLAT[on.code], rim, own, rings, mesh, scratch)
    carried, along, total = 0, 0, 0
    for k in range(count):
        j = out[k]
        if label[j] != NO_REGION and label[j] != own:
            total += 1
        elif k >= first:
            total += 1
            i = source[k]
            if i < 0:
                continue
            _, gx, gy, gz = gradient(on.code, on.packed, vertices[j, 0], vertices[j, 1], vertices[j, 2])
            if on.sign * (gx * normals[j, 0] + gy * normals[j, 1] + gz * normals[j, 2]) > cosine:
                carried += 1
            turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
            if turn > tangent:
                along += 1
    return carried, along, total
