"""Compiled walks over the vertices of a mesh: smoothing of normals, patches, growth of a region, its rim.

A region is an array of vertex ids. Rings are the neighbours of vertices in compressed rows (indptr,
indices) as mesh/topology makes them.
"""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit, prange
from pipeline.surfaces import FLAT, gradient

FREE = -1  # owner of a vertex that no region has
# A normal turned further than this from that at the rim, within so many rings: an edge lies between, no fillet.
_EDGE, _SHARP = np.cos(np.radians(25.0)), 2


@njit(cache=True, parallel=True)
def ring_measures(vertices, indptr, indices):
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


@njit(cache=True, parallel=True)
def vertex_shares(vertices, faces, starts, facets):
    """A third of the area of the facets at each vertex (n,), float32 mm2; `starts`, `facets` as vertex_facets."""
    out = np.zeros(len(vertices), dtype=np.float32)
    for i in prange(len(vertices)):
        total = 0.0
        for k in range(starts[i], starts[i + 1]):
            a, b, c = faces[facets[k], 0], faces[facets[k], 1], faces[facets[k], 2]
            ux, uy, uz = (
                vertices[b, 0] - vertices[a, 0],
                vertices[b, 1] - vertices[a, 1],
                vertices[b, 2] - vertices[a, 2],
            )
            wx, wy, wz = (
                vertices[c, 0] - vertices[a, 0],
                vertices[c, 1] - vertices[a, 1],
                vertices[c, 2] - vertices[a, 2],
            )
            x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
            total += np.sqrt(x * x + y * y + z * z)
        out[i] = total / 6.0
    return out


@njit(cache=True, parallel=True)
def smoothed(normals, indptr, indices, gate):
    """One pass of averaging unit normals (n, 3) over the ring, leaving out those beyond the cosine `gate`.

    The gate keeps edges sharp: across them nothing is averaged.
    """
    out = np.empty_like(normals)
    for i in prange(len(normals)):
        a, b, c = normals[i, 0], normals[i, 1], normals[i, 2]
        x, y, z = a, b, c
        for k in range(indptr[i], indptr[i + 1]):
            j = indices[k]
            if a * normals[j, 0] + b * normals[j, 1] + c * normals[j, 2] > gate:
                x += normals[j, 0]
                y += normals[j, 1]
                z += normals[j, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0.0:
            x, y, z = x / length, y / length, z / length
        out[i, 0], out[i, 1], out[i, 2] = x, y, z
    return out


@njit(cache=True, parallel=True)
def bends(normals, indptr, indices):
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
def ring_maximum(values, indptr, indices):
    """Each value replaced by the largest in its ring and itself."""
    out = values.copy()
    for i in prange(len(values)):
        for k in range(indptr[i], indptr[i + 1]):
            out[i] = max(out[i], values[indices[k]])
    return out


@njit(cache=True, nogil=True)
def spread_seeds(vertices, normals, bend, owner, barred, cell, origin):
    """One vertex, that with the smallest bend, of each cube of edge `cell` and main direction of the normal.

    Vertices with an owner or barred are left out. The direction keeps the two sides of a thin wall apart.
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
        if owner[i] != FREE or barred[i]:
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
def near_bends(curl, indptr, indices, edge, sharp, radius):
    """(n,) whether a vertex lies within about `radius` mm, along edges, of one whose `curl` is over `sharp`."""
    n = len(curl)
    left = np.full(n, -1.0, dtype=np.float32)
    front = np.empty(n, dtype=np.int32)
    count = 0
    for i in range(n):
        if curl[i] > sharp:
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


@njit(cache=True)
def patch(vertices, indptr, indices, owner, turn, most, seed, radius, table, out):
    """Vertices without owner joined to `seed` within `radius`, in rings; returns how many are in `out`.

    Those with a `turn` of the normal over `most` are left out, so that a patch ends at creases.
    `table` is scratch of a power of two in length, all -1 on entry and on return.
    """
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
            if table[slot] == j or count >= limit or owner[j] != FREE or turn[j] > most:
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


@njit(cache=True)
def _lies_on(code, s, sign, vertices, normals, i, reach, cosine):
    """Whether a vertex lies within `reach` mm of a surface and faces the way it does."""
    away, gx, gy, gz = gradient(code, s, vertices[i, 0], vertices[i, 1], vertices[i, 2])
    facing = sign * (gx * normals[i, 0] + gy * normals[i, 1] + gz * normals[i, 2])
    return abs(away) <= reach and facing >= cosine


@njit(cache=True)
def grow(code, s, sign, vertices, normals, indptr, indices, owner, mark, stamp, start, reach, cosine, limit, out, rim):
    """Spread from `start` over joined vertices without owner that lie on a surface; returns how many in `out`.

    On the surface: within `reach` mm and with the normal within the angle of `cosine` of its geometric
    normal times `sign`. Vertices taken get `mark` == stamp, those looked at and left stamp + 1. `rim` (n,) is
    written for vertices taken: whether some of their ring was not.
    """
    count = 0
    for k in range(len(start)):
        i = start[k]
        if mark[i] < stamp and owner[i] == FREE:
            mark[i] = stamp + 1
            if _lies_on(code, s, sign, vertices, normals, i, reach, cosine):
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
            if mark[j] < stamp and owner[j] == FREE:
                mark[j] = stamp + 1
                if _lies_on(code, s, sign, vertices, normals, j, reach, cosine):
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


@njit(cache=True)
def touching(members, indptr, indices, owner, own, counts):
    """Add to counts (regions + 1,) how many ring neighbours outside belong to each region; the last one: none."""
    for k in range(len(members)):
        i = members[k]
        for e in range(indptr[i], indptr[i + 1]):
            other = owner[indices[e]]
            if other != own:
                counts[other if other >= 0 else len(counts) - 1] += 1


@njit(cache=True, parallel=True)
def facet_owners(faces, owner):
    """(m,) the region that all three corners belong to, else -1."""
    out = np.full(len(faces), -1, dtype=np.int32)
    for i in prange(len(faces)):
        a = owner[faces[i, 0]]
        if a >= 0 and a == owner[faces[i, 1]] and a == owner[faces[i, 2]]:
            out[i] = a
    return out


@njit(cache=True)
def rim_outlook(
    code,
    s,
    sign,
    vertices,
    normals,
    indptr,
    indices,
    owner,
    own,
    rim,
    rings,
    cosine,
    tangent,
    mark,
    stamp,
    out,
    source,
):
    """What lies `rings` rings beyond a region: (carrying on, tangent, all), counts of vertices.

    Carrying on: without owner, the normal within the angle of `cosine` of the surface carried on there.
    Tangent: without owner, the normal within that of `tangent` of the normal at the rim that it was reached
    from. What lies beyond the edge of a plane is neither, whichever way it faces: on coarse facets a few rings
    lead over a step onto what is parallel to it. Members have mark == stamp, `rim` are those at the rim at least;
    the stamp + 2 is used up; `out`, `source` (n,) are scratch. Where the mesh ends nothing is counted.
    """
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
    flat = FLAT[code]
    for ring in range(rings - 1):
        end = count
        while at < end:
            i, last = out[at], source[at]
            at += 1
            if owner[i] != FREE and owner[i] != own:
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
    on, along, total = 0, 0, 0
    for k in range(count):
        j = out[k]
        if owner[j] != FREE and owner[j] != own:
            total += 1
        elif k >= at:
            total += 1
            i = source[k]
            if i < 0:
                continue
            _, gx, gy, gz = gradient(code, s, vertices[j, 0], vertices[j, 1], vertices[j, 2])
            if sign * (gx * normals[j, 0] + gy * normals[j, 1] + gz * normals[j, 2]) > cosine:
                on += 1
            turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
            if turn > tangent:
                along += 1
    return on, along, total
