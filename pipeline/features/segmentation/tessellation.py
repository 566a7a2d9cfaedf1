"""Finding the surfaces of an exact tessellation, as CAD writes it: no noise, facets of any length.

A facet's corners lie on the surface that it was drawn from, to the last digit of the file, and its plane is
near tangent there. So a few facets joined by blunt edges give a shape, which spreads over all facets whose
corners lie on it; what then is left flat is a plane.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.features.segmentation.model_selection import ALL_FREE
from pipeline.features.segmentation.vertex_walks import Candidate
from pipeline.features.uncertainty import resolution
from pipeline.geometry import Floats, Ints, Longs, Mask
from pipeline.jit import njit
from pipeline.surfaces import (
    AXIAL,
    COUNT,
    FLAT,
    KINDS,
    LINEAR_START,
    PACKED,
    RULED,
    SLOTS,
    WIDTHS,
    begin,
    distances,
    gradient,
    normal_equations,
    refine,
    refine_on,
    sane,
)

BLUNT = float(np.cos(np.radians(47.0)))  # facets of one curved face turn by less from one to the next
NEAR_TANGENT = float(np.cos(np.radians(25.0)))
LEAST_TURNS = 5  # directions that the facets of a curved face must show
LEAST_START = 5  # facets of a patch
LEAST_FACETS = 8  # of a curved face
# Patches tried, large ones first: how many facets, and degrees of turn that they may be joined by. A large patch tells
# a torus from the cylinder that a small one passes for; a small one finds room on a face of few facets.
_PATCHES = (
    (300, 11.0), (80, 11.0), (24, 11.0), (10, 11.0), (24, 30.0), (10, 30.0), (24, 47.0), (14, 47.0), (8, 47.0)
)  # fmt: skip
# Patches that a facet may be in to no avail before it starts none: those of more than so many facets, and all that fit
# and yet come to no face.
_LARGE, _TRIES = 24, 3
# What a start that needs no steps may be off, times the tolerance; where it fits it is off by less than two.
_AT_ONCE = 30.0
# Steps of a fit to a patch, and what it may be off after them: a share of the patch's reach, times the tolerance.
_STEPS = ((1, 0.5, 3000.0), (2, 0.05, 300.0), (3, 0.002, 30.0), (9, 0.0, 1.0))
_FLAT_CODE = int(np.flatnonzero(FLAT)[0])  # of the kind that what is left over is looked for as
LONE = 0.4  # share of the outline, beside surface that is no face, from which on a face is a bit of a free form


class Tessellation(NamedTuple):
    """What the search reads of a mesh, and the face, -1 none, that it gives to each facet: `label` (m,), written.

    normals (m, 3) and areas (m,), mm2, of the facets; neighbours (m, 3) as `facet_neighbours` gives them
    """

    vertices: Floats
    faces: Ints
    normals: Floats
    areas: Floats
    neighbours: Ints
    label: Ints


class FoundFaces(NamedTuple):
    """Columns with a row for each face: the kind's code, packed shape (k, PACKED), sign as a `Candidate` has it."""

    codes: Longs
    shapes: Floats
    signs: Floats


class _Scratch(NamedTuple):
    """Working memory, by facet: stamps of those looked at, those taken, patches tried in vain; stamp (1,): the last."""

    mark: Ints
    out: Ints
    tried: Ints
    stamp: Longs


class _Patch(NamedTuple):
    """What a kind is fitted to: facets (k,); their corners (3 k, 3), the facet's normal for each; the corners, each
    once, and a weight of one for each."""

    facets: Ints
    points: Floats
    lines: Floats
    once: Floats
    ones: Floats


@njit(cache=True)
def _spread(on: Candidate, start: Ints, tolerance: float, mesh: Tessellation, scratch: _Scratch) -> int:
    """Facets joined to `start` with their corners on a shape and near tangent to it; how many in the scratch's out."""
    v, f, normals, neighbours, label = mesh.vertices, mesh.faces, mesh.normals, mesh.neighbours, mesh.label
    scratch.stamp[0] += 1
    mark, out, stamp = scratch.mark, scratch.out, scratch.stamp[0]
    code, s, sign = on
    count = 0
    for k in range(len(start)):
        mark[start[k]] = stamp
        out[count] = start[k]
        count += 1
    at = 0
    while at < count:
        i = out[at]
        at += 1
        for e in range(3):
            j = neighbours[i, e]
            if j < 0 or mark[j] == stamp or label[j] >= 0:
                continue
            mark[j] = stamp
            fits = True
            x = y = z = 0.0
            for k in range(3):
                p = f[j, k]
                if abs(gradient(code, s, v[p, 0], v[p, 1], v[p, 2])[0]) > tolerance:
                    fits = False
                    break
                x += v[p, 0] / 3.0
                y += v[p, 1] / 3.0
                z += v[p, 2] / 3.0
            if not fits:
                continue
            _, gx, gy, gz = gradient(code, s, x, y, z)
            if sign * (gx * normals[j, 0] + gy * normals[j, 1] + gz * normals[j, 2]) < NEAR_TANGENT:
                continue
            out[count] = j
            count += 1
    return count


@njit(cache=True)
def _patch(
    seed: int, most: int, blunt: float, before: float, mesh: Tessellation, scratch: _Scratch
) -> tuple[Ints, bool]:
    """At most so many facets of no face, joined to `seed` by edges that turn by less than `blunt`, a cosine, says.

    Also whether they are others than with the sharper cosine `before`, when faces may have been fewer. Fewer than
    `most` are all that there are: each of them begins the same patch.
    """
    neighbours, normals, label = mesh.neighbours, mesh.normals, mesh.label
    scratch.stamp[0] += 1
    mark, out, stamp = scratch.mark, scratch.out, scratch.stamp[0]
    mark[seed] = stamp
    out[0] = seed
    count, at = 1, 0
    others = False
    while at < count and count < most:
        i = out[at]
        at += 1
        for e in range(3):
            j = neighbours[i, e]
            if j < 0 or mark[j] == stamp or count >= most:
                continue
            if label[j] >= 0:
                others = True
                continue
            turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
            if turn > blunt:
                mark[j] = stamp
                out[count] = j
                count += 1
                others |= turn <= before
    return out[:count].copy(), others


@njit(cache=True)
def _corners(v: Floats, f: Ints, normals: Floats, facets: Ints) -> tuple[Floats, Floats]:
    """The corners (3 k, 3) of facets (k,), and for each the facet's normal."""
    points, lines = np.empty((3 * len(facets), 3)), np.empty((3 * len(facets), 3))
    for k in range(len(facets)):
        i = facets[k]
        for e in range(3):
            p = f[i, e]
            # Axis by axis: rows as a whole take ten times as long.
            for axis in range(3):
                points[3 * k + e, axis] = v[p, axis]
                lines[3 * k + e, axis] = normals[i, axis]
    return points, lines


@njit(cache=True)
def _once(v: Floats, f: Ints, facets: Ints) -> Floats:
    """The corners of facets, each once, in the order of their numbers."""
    # Each is put to its place among those before it: they are few, and most are there already.
    corners = np.empty(3 * len(facets), dtype=np.int32)
    count = 0
    for k in range(len(facets)):
        for e in range(3):
            p = f[facets[k], e]
            low, high = 0, count
            while low < high:
                middle = (low + high) // 2
                if corners[middle] < p:
                    low = middle + 1
                else:
                    high = middle
            if low < count and corners[low] == p:
                continue
            for i in range(count, low, -1):
                corners[i] = corners[i - 1]
            corners[low] = p
            count += 1
    out = np.empty((count, 3))
    for k in range(count):
        for axis in range(3):
            out[k, axis] = v[corners[k], axis]
    return out


@njit(cache=True)
def _worst(code: int, s: Floats, points: Floats) -> float:
    """How far, mm, the farthest of points (n, 3) lies from a packed shape."""
    most = 0.0
    for away in distances(code, s, points):
        most = max(most, abs(away))
    return most


@njit(cache=True)
def _beyond(code: int, s: Floats, points: Floats, squares: float, bound: float) -> bool:
    """Whether any of points (n, 3) lies farther, mm, from a packed shape than so; `squares`: of all distances, summed.

    The sum tells in most cases: the farthest is no nearer than their root mean square, no farther than its root.
    """
    # A millionth for what the sum was rounded by.
    if squares < bound**2 * (1.0 - 1e-6):
        return False
    if squares > len(points) * bound**2 * (1.0 + 1e-6):
        return True
    return _worst(code, s, points) > bound


@njit(cache=True)
def _turns(normals: Floats, facets: Ints, enough: int) -> int:
    """How many directions, 0.2 degrees or more apart, the facets have, counted up to `enough`."""
    kept = np.empty((enough, 3))
    count = 0
    for k in range(len(facets)):
        new, i = True, facets[k]
        for e in range(count):
            turn = normals[i, 0] * kept[e, 0] + normals[i, 1] * kept[e, 1] + normals[i, 2] * kept[e, 2]
            if turn > 0.999994:
                new = False
                break
        if new:
            for axis in range(3):
                kept[count, axis] = normals[i, axis]
            count += 1
            if count == enough:
                break
    return count


@njit(cache=True)
def _settled(
    code: int, s: Floats, patch: _Patch, mesh: Tessellation, scratch: _Scratch, tolerance: float, extent: float
) -> tuple[Ints, float]:
    """Fit a kind to the facets of a patch and spread it: (facets, sign); no facets where it doesn't fit.

    The sign is 0 where it fits but comes to no curved face: the facets show too few directions, or, on a free form,
    fit no longer as it spreads.
    """
    v, f, normals = mesh.vertices, mesh.faces, mesh.normals
    start, points, lines, once, ones = patch
    none, first = start[:0], start
    if not begin(code, points, lines, s):
        return none, 1.0
    if LINEAR_START[code] and _worst(code, s, once) > _AT_ONCE * tolerance:
        return none, 1.0
    slots, free = SLOTS[code, : WIDTHS[code]], ALL_FREE[: WIDTHS[code]]
    reach = np.sqrt(np.sum((points[-1] - points[0]) ** 2))
    at = normal_equations(code, s, once, ones, len(slots))
    # What is far off after a few steps has an edge in it, or is of another kind.
    for steps, share, times in _STEPS:
        _, _, at = refine_on(code, s, (once, ones), slots, free, steps, 0.01 * tolerance, at)
        if not sane(code, s, extent) or _beyond(code, s, once, at[2], max(share * reach, times * tolerance)):
            return none, 1.0
    agree = 0.0
    for k in range(len(points)):
        _, gx, gy, gz = gradient(code, s, points[k, 0], points[k, 1], points[k, 2])
        agree += gx * lines[k, 0] + gy * lines[k, 1] + gz * lines[k, 2]
    sign = 1.0 if agree >= 0.0 else -1.0
    for _ in range(4):
        # A few facets fix a shape less well than the tolerance asks far away: refit and go on.
        size = _spread(Candidate(code, s, sign), start, 2.0 * tolerance, mesh, scratch)
        every, _lines = _corners(v, f, normals, scratch.out[:size])
        refine(code, s, every, np.ones(len(every)), slots, free, 12, 0.01 * tolerance)
        if size == len(start):
            break
        start = scratch.out[:size].copy()
    every, _lines = _corners(v, f, normals, start)
    if not sane(code, s, extent) or _worst(code, s, every) > 2.0 * tolerance:
        return first, 0.0
    return start, sign if _turns(normals, start, LEAST_TURNS) == LEAST_TURNS else 0.0


@njit(cache=True)
def _face_from(
    start: Ints,
    mesh: Tessellation,
    scratch: _Scratch,
    allowed: Mask,
    tolerance: float,
    extent: float,
    found: FoundFaces,
    number: int,
) -> bool:
    """Make a patch the face of that number, with the first kind that comes to one; whether any does."""
    points, lines = _corners(mesh.vertices, mesh.faces, mesh.normals, start)
    once = _once(mesh.vertices, mesh.faces, start)
    patch = _Patch(start, points, lines, once, np.ones(len(once)))
    for code in range(COUNT):
        if FLAT[code] or not allowed[code]:
            continue
        s = np.zeros(PACKED)
        members, sign = _settled(code, s, patch, mesh, scratch, tolerance, extent)
        if sign == 0.0:
            for k in range(len(members)):
                scratch.tried[members[k]] += 1
        elif len(members) >= min(2 * len(start), LEAST_FACETS):
            for k in range(len(members)):
                mesh.label[members[k]] = number
            found.codes[number], found.signs[number] = code, sign
            found.shapes[number] = s
            return True
    return False


@njit(cache=True)
def curved(mesh: Tessellation, allowed: Mask, tolerance: float, patches: Floats, found: FoundFaces) -> int:
    """Give the facets of curved faces their face's number for label (-1 before); returns how many faces.

    `patches` (k, 2): facets, cosine of the turn.
    """
    m = len(mesh.faces)
    scratch = _Scratch(
        np.zeros(m, dtype=np.int32), np.empty(m, dtype=np.int32), np.zeros(m, dtype=np.int32),
        np.zeros(1, dtype=np.int64),
    )  # fmt: skip
    count = 0
    extent = 0.0
    for k in range(3):
        extent = max(extent, mesh.vertices[:, k].max() - mesh.vertices[:, k].min())
    for level in range(len(patches)):
        scratch.tried[:] = 0
        most, blunt = int(patches[level, 0]), patches[level, 1]
        # The last cosine that patches as large or smaller were tried with; none has one that is over 1.
        before = 2.0
        for earlier in range(level):
            if patches[earlier, 0] <= patches[level, 0]:
                before = patches[earlier, 1]
        for seed in range(m):
            if mesh.label[seed] >= 0 or scratch.tried[seed] >= _TRIES or count == len(found.codes):
                continue
            start, others = _patch(seed, most, blunt, before, mesh, scratch)
            # On a smooth free form the same patches come with any turn; what came to no face won't now.
            worth = others or before > 1.0
            if worth and len(start) >= LEAST_START and _turns(mesh.normals, start, 3) == 3:
                if _face_from(start, mesh, scratch, allowed, tolerance, extent, found, count):
                    count += 1
                elif most > _LARGE:
                    for k in range(len(start)):
                        scratch.tried[start[k]] += 1
            if len(start) < most:
                for k in range(len(start)):
                    scratch.tried[start[k]] = _TRIES
    return count


@njit(cache=True)
def _blunt_share(mesh: Tessellation, facets: Ints, n: Floats) -> float:
    """Share of the outline of flat facets across which the surface bends on bluntly and no face is known.

    That is a facet of a free form rather than a plane face. n (3,) is the normal of the flat facets.
    """
    v, f, normals, neighbours, label = mesh.vertices, mesh.faces, mesh.normals, mesh.neighbours, mesh.label
    blunt = total = 0.0
    for k in range(len(facets)):
        i = facets[k]
        for e in range(3):
            j = neighbours[i, e]
            if j < 0:
                continue
            turn = n[0] * normals[j, 0] + n[1] * normals[j, 1] + n[2] * normals[j, 2]
            if turn > 0.9999999:
                continue
            p, q = v[f[i, e]], v[f[i, (e + 1) % 3]]
            length = np.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
            total += length
            if turn > BLUNT and label[j] < 0:
                blunt += length
    return blunt / total if total > 0.0 else 0.0


@njit(cache=True)
def _without_lone(mesh: Tessellation, codes: Longs, shapes: Floats) -> Mask:
    """Take their label off the facets of faces that are bits of a free form; (faces,) bool: which are left.

    Beyond much of such a bit's outline the surface bends on bluntly and is no face. What leaned on a bit is looked
    at again without it.
    """
    v, f, normals, areas, neighbours, label = mesh
    count = len(codes)
    left = np.ones(count, dtype=np.bool_)
    mean, area = np.zeros((count, 3)), np.zeros(count)
    for i in range(len(f)):
        if label[i] >= 0:
            area[label[i]] += areas[i]
            mean[label[i]] += areas[i] * normals[i]
    # More than half a turn round an axis doesn't come about by chance, whatever lies beyond.
    lasting = np.zeros(count, dtype=np.bool_)
    for k in range(count):
        if AXIAL[codes[k]] and RULED[codes[k]]:
            n, d = mean[k] / max(area[k], 1e-300), shapes[k, 3:6]
            n = n - (n[0] * d[0] + n[1] * d[1] + n[2] * d[2]) * d
            # The mean of unit vectors over half a turn is 2 / pi long.
            lasting[k] = np.sqrt(np.sum(n**2)) < 2.0 / np.pi
        elif FLAT[codes[k]]:
            lasting[k] = True
    changed = True
    while changed:
        changed = False
        lone, total = np.zeros(count), np.zeros(count)
        for i in range(len(f)):
            own = label[i]
            if own < 0:
                continue
            for e in range(3):
                j = neighbours[i, e]
                if j < 0 or label[j] == own:
                    continue
                p, q = v[f[i, e]], v[f[i, (e + 1) % 3]]
                length = np.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
                turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
                total[own] += length
                if turn > BLUNT and label[j] < 0:
                    lone[own] += length
        for k in range(count):
            if left[k] and not lasting[k] and lone[k] > LONE * total[k]:
                left[k] = False
                changed = True
        for i in range(len(f)):
            if label[i] >= 0 and not left[label[i]]:
                label[i] = -1
    return left


@njit(cache=True)
def flat(mesh: Tessellation, tolerance: float, least: float, first: int, shapes: Floats) -> int:
    """Give joined facets in one plane a label from `first` on, where they have `least` mm2 and a sharp outline."""
    v, f, normals, areas, neighbours, label = mesh
    m = len(f)
    seen = np.zeros(m, dtype=np.bool_)
    out = np.empty(m, dtype=np.int32)
    found = 0
    order = np.argsort(-areas)
    for seed in order:
        if label[seed] >= 0 or seen[seed] or found == len(shapes):
            continue
        seen[seed] = True
        out[0] = seed
        count, at, area = 1, 0, areas[seed]
        n, p = normals[seed], v[f[seed, 0]]
        while at < count:
            i = out[at]
            at += 1
            for e in range(3):
                j = neighbours[i, e]
                if j < 0 or seen[j] or label[j] >= 0:
                    continue
                away = 0.0
                for k in range(3):
                    q = v[f[j, k]]
                    away = max(away, abs((q[0] - p[0]) * n[0] + (q[1] - p[1]) * n[1] + (q[2] - p[2]) * n[2]))
                turn = n[0] * normals[j, 0] + n[1] * normals[j, 1] + n[2] * normals[j, 2]
                if away <= tolerance and turn > 0.99:
                    seen[j] = True
                    out[count] = j
                    count += 1
                    area += areas[j]
        if area < least or _blunt_share(mesh, out[:count], n) > 0.3:
            continue
        for k in range(count):
            label[out[k]] = first + found
        shapes[found, 0:3] = p
        shapes[found, 3:6] = n
        found += 1
    return found


def _joined(mesh: Tessellation, found: FoundFaces, tolerance: float) -> Mask:
    """Give the pieces of one ruled surface that lie beside each other round its axis one number.

    Which numbers stay, (faces,) bool. Two lengths of one axis stay two faces: they are two seats.
    """
    codes, shapes, signs = found
    v, f, label = mesh.vertices, mesh.faces, mesh.label
    order = np.argsort(label, kind="stable")
    bounds = np.searchsorted(label[order], np.arange(len(codes) + 1))
    corners = [v[np.unique(f[order[a:b]])] for a, b in pairwise(bounds)]
    left = np.ones(len(codes), dtype=np.bool_)
    for kind in KINDS.values():
        if not (kind.axial and kind.ruled):
            continue
        code = kind.code
        alike = np.flatnonzero(codes == code)
        alike = alike[np.argsort([-len(corners[k]) for k in alike], kind="stable")]
        for rank, large in enumerate(alike):
            if not left[large]:
                continue
            others = alike[rank + 1 :]
            turn = np.abs(shapes[others, 3:6] @ shapes[large, 3:6])
            close = (turn > 0.9998) & (signs[others] == signs[large]) & left[others]
            if not kind.tapered:
                close &= np.abs(shapes[others, 12] - shapes[large, 12]) < 0.01 * shapes[large, 12]
            for small in others[close]:
                axis = shapes[large, 3:6]
                one, other = corners[large] @ axis, corners[small] @ axis
                if min(one.max(), other.max()) - max(one.min(), other.min()) < 0.3 * np.ptp(other):
                    continue
                both = np.concatenate([corners[large], corners[small]])
                s = shapes[large].copy()
                slots, free = SLOTS[code, : WIDTHS[code]], ALL_FREE[: WIDTHS[code]]
                refine(code, s, both, np.ones(len(both)), slots, free, 12, 0.01 * tolerance)
                if _worst(code, s, both) > 2.0 * tolerance:
                    continue
                corners[large], shapes[large] = both, s
                label[order[bounds[small] : bounds[small + 1]]] = large
                left[small] = False
    return left


def faces_of(
    vertices: Floats, faces: Ints, normals: Floats, areas: Floats, neighbours: Ints, allowed: Mask, least: float
) -> tuple[Ints, FoundFaces]:
    """The faces of an exact tessellation: number per facet (m,) or -1, and what is known of each.

    normals, areas, neighbours  as a `Tessellation` has them
    allowed                     (kinds,) bool by code: those that are looked for
    least                       mm2, the smallest plane that is wanted
    """
    tolerance = 3.0 * resolution(vertices)
    mesh = Tessellation(vertices, faces, normals, areas, neighbours, np.full(len(faces), -1, dtype=np.int32))
    most = max(len(faces) // 4, 16)
    codes = np.full(most, _FLAT_CODE)
    shapes, signs = np.zeros((most, PACKED)), np.ones(most)
    patches = np.array([[facets, np.cos(np.radians(turn))] for facets, turn in _PATCHES])
    count = curved(mesh, allowed, tolerance, patches, FoundFaces(codes, shapes, signs))
    left = _joined(mesh, FoundFaces(codes[:count], shapes[:count], signs[:count]), tolerance)
    mesh, round_ones = mesh._replace(label=_renumbered(mesh.label, left)), int(left.sum())
    for figures in (codes, shapes, signs):
        figures[:round_ones] = figures[:count][left]
    codes[round_ones:], signs[round_ones:] = _FLAT_CODE, 1.0
    total = round_ones
    if allowed[_FLAT_CODE]:
        total += flat(mesh, tolerance, least, round_ones, shapes[round_ones:])
    left = _without_lone(mesh, codes[:total], shapes[:total])
    return _renumbered(mesh.label, left), FoundFaces(codes[:total][left], shapes[:total][left], signs[:total][left])


def _renumbered(label: Ints, left: Mask) -> Ints:
    """Labels with only the faces that are left, numbered without gaps."""
    return np.append(np.cumsum(left) - 1, -1).astype(np.int32)[label]
