"""Compiled growth of one seed into a region, apart from all that other seeds do, so that many can grow at once.

A kernel here reads the mesh and the labels and writes nothing but its own scratch arrays.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.features.segmentation import model_selection
from pipeline.features.segmentation.model_selection import Effort, Sample
from pipeline.features.segmentation.vertex_walks import (
    GATE,
    NO_REGION,
    Candidate,
    Gauge,
    Mesh,
    Scratch,
    count_beyond,
    grow,
    patch,
)
from pipeline.geometry import Bytes, Floats, Ints, Longs, Mask
from pipeline.jit import njit
from pipeline.surfaces import AXIAL, FLAT, gradient

SMALLEST = 24  # vertices
OPEN = 0.2  # share of the rim beyond which the surface may go on smoothly
_HOPELESS = 0.5  # of the rim
_CREEPING = 1.2
_APART = 1.5  # radii between seeds that grow at once
_LEVER = 0.02  # by how much a fitted patch may point past its own surface far off
_PUT_OFF = 8  # seeds, for each that grows
_ROUND = 1000, 15  # vertices, and sectors of 10 degrees about the axis
NEGLIGIBLE = 0.5  # of the noise: what a simpler kind may lose against a better one
MISFIT = 5.0
_STEP = 6  # a region may grow by this factor before it is refitted
_ROUNDS = 16
# While a region grows, where it ends, and where another kind may carry it on.
_EFFORT, _FINAL_EFFORT, _OTHER_EFFORT = Effort(300, 1, NEGLIGIBLE), Effort(900, 3, NEGLIGIBLE), Effort(300, 1, 0.0)
_TANGENT = np.cos(np.radians(25.0))


class Starts(NamedTuple):
    """Fitted patches to grow from, (k,) each: kind, packed shape (k, .), seed, mm of radius, rad of turn to stop at."""

    code: Longs
    packed: Floats
    seed: Ints
    radius: Floats
    crease: Floats


class Growth(NamedTuple):
    """What came of a start; code -1: nothing. Misfit is infinite where the rim is too open for it to matter.

    Where another kind was tried and doesn't end at its rim either, the first kind with its core, and the members of
    the other.
    """

    code: int
    packed: Floats
    sign: float
    members: Ints
    core: Ints
    openness: float
    misfit: float
    freedom: int


def taken_apart(columns: tuple[NDArray[Any], ...]) -> list[Growth]:
    """The growths in what `develop_many` returns."""
    codes, shapes, signs, counts, members, inner, cores, openness, misfits, freedoms = columns
    return [
        Growth(int(code), packed, float(sign), whole, core, float(beyond), float(misfit), int(freedom))
        for code, packed, sign, whole, core, beyond, misfit, freedom in zip(
            codes, shapes, signs, np.split(members, np.cumsum(counts)[:-1]), np.split(cores, np.cumsum(inner)[:-1]),
            openness, misfits, freedoms, strict=True,
        )
    ]  # fmt: skip


def scratch_for(count: int) -> Scratch:
    """Scratch for a mesh of so many vertices; pages that no region reaches are never taken."""
    return Scratch(
        np.zeros(count, dtype=np.int32),
        np.empty(count, dtype=np.int32),
        np.empty(count, dtype=np.int32),
        np.zeros(count, dtype=np.bool_),
        np.ones(1, dtype=np.int32),
    )


@njit(cache=True, nogil=True)
def spread(
    on: Candidate, start: Ints, limit: int, mesh: Mesh, scratch: Scratch, gauge: Gauge
) -> tuple[Ints, Ints, Ints]:
    """Members of a region that spreads from `start`, those inside, and those at its rim.

    Members are left marked with the scratch's stamp. Where little would be inside, all members are.
    """
    scratch.stamp[0] += 2
    count = grow(on, start, limit, mesh, scratch, gauge)
    members = scratch.out[:count].copy()
    core, rim = np.empty(count, dtype=np.int32), np.empty(count, dtype=np.int32)
    within = at = 0
    for i in members:
        if scratch.rim[i]:
            rim[at] = i
            at += 1
        else:
            core[within] = i
            within += 1
    if within < max(0.35 * count, SMALLEST):
        return members, members, rim[:at]
    return members, core[:within], rim[:at]


@njit(cache=True)
def trimmed(code: int, s: Floats, members: Ints, mesh: Mesh, scratch: Scratch, gauge: Gauge) -> Ints:
    """Marked members without those that lead away from the surface: off it, and their rings with them."""
    out = np.empty_like(members)
    count = 0
    for i in members:
        off = gradient(code, s, mesh.vertices[i, 0], mesh.vertices[i, 1], mesh.vertices[i, 2])[0]
        if abs(off) > gauge.sigma:
            total, some = off, 1
            for e in range(mesh.indptr[i], mesh.indptr[i + 1]):
                j = mesh.indices[e]
                if scratch.mark[j] == scratch.stamp[0]:
                    total += gradient(code, s, mesh.vertices[j, 0], mesh.vertices[j, 1], mesh.vertices[j, 2])[0]
                    some += 1
            if abs(total / some) > GATE * np.sqrt(gauge.white**2 / some + gauge.wave**2):
                continue
        out[count] = i
        count += 1
    for i in members:
        scratch.mark[i] = scratch.stamp[0] + 1
    for i in out[:count]:
        scratch.mark[i] = scratch.stamp[0]
    return out[:count].copy()


@njit(cache=True, nogil=True)
def facing(code: int, s: Floats, members: Ints, mesh: Mesh) -> float:
    """+1 where the facets' normals agree with the geometric ones, else -1; a plane is turned to agree."""
    agree = 0.0
    for k in range(0, len(members), max(1, len(members) // 200)):
        i = members[k]
        _, gx, gy, gz = gradient(code, s, mesh.vertices[i, 0], mesh.vertices[i, 1], mesh.vertices[i, 2])
        agree += gx * mesh.normals[i, 0] + gy * mesh.normals[i, 1] + gz * mesh.normals[i, 2]
    if FLAT[code] and agree < 0:
        s[3:6] *= -1.0
        s[9:12] *= -1.0
        return 1.0
    return 1.0 if agree >= 0 else -1.0


@njit(cache=True, nogil=True, borrowing=True)
def beyond_rim(
    on: Candidate, rim: Ints, own: int, rings: int, tangent: float, mesh: Mesh, scratch: Scratch, gauge: Gauge
) -> tuple[float, float]:
    """Shares of what lies beyond a region's rim that carries its surface on, and that is tangent to it at the rim.

    Members must be those marked with the scratch's stamp, `rim` those of them at the rim at least; `tangent` is a
    cosine. Surface of regions other than `own` is neither.
    """
    carried, along, total = count_beyond(on, rim, own, rings, tangent, mesh, scratch, gauge)
    scratch.stamp[0] += 2
    return carried / max(total, 1), along / max(total, 1)


@njit(cache=True, nogil=True)
def goes_round(code: int, s: Floats, core: Ints, mesh: Mesh) -> bool:
    """Whether so much of an axial surface goes round its axis that chance can't have made it.

    Its rim may then run smoothly into anything: the fillets at a journal's ends are tangent to it.
    """
    if not AXIAL[code] or len(core) < _ROUND[0]:
        return False
    seen = np.zeros(36, dtype=np.bool_)
    for k in range(0, len(core), max(1, len(core) // 1000)):
        x, y, z = mesh.vertices[core[k], 0] - s[0], mesh.vertices[core[k], 1] - s[1], mesh.vertices[core[k], 2] - s[2]
        angle = np.arctan2(x * s[9] + y * s[10] + z * s[11], x * s[6] + y * s[7] + z * s[8])
        seen[int((angle / (2.0 * np.pi) + 0.5) * 36.0) % 36] = True
    return bool(seen.sum() >= _ROUND[1])


@njit(cache=True, nogil=True)
def gathered(values: Floats, members: Ints, most: int) -> Floats:
    """(at most `most`, 3) rows of values at members evenly spread over all."""
    step = max(1, (len(members) + most - 1) // most)
    count = (len(members) + step - 1) // step
    out = np.empty((count, 3))
    for k in range(count):
        out[k] = values[members[k * step]]
    return out


@njit(cache=True, nogil=True, borrowing=True)
def block_size(members: Ints, mesh: Mesh) -> float:
    """Edge, mm, of the cubes over which residuals of a region are averaged."""
    edge, count, area = 0.0, 0, 0.0
    for k in range(0, len(members), max(1, len(members) // 500)):
        edge += mesh.edge[members[k]]
        count += 1
    for k in range(len(members)):
        area += mesh.share[members[k]]
    return max(5.0 * edge / max(count, 1), np.sqrt(area) / 9.0)


@njit(cache=True, nogil=True)
def choose(
    core: Ints, was: int, s: Floats, allowed: Mask, effort: Effort, mesh: Mesh, gauge: Gauge
) -> tuple[int, float]:
    """Choose the kind for a region's core, -1 for none, and its misfit per degree of freedom; s receives its shape."""
    sample = Sample(
        gathered(mesh.vertices, core, effort.most), gathered(mesh.normals, core, effort.most), block_size(core, mesh)
    )
    code, misfit, freedom = model_selection.choose(sample, was, s, allowed, effort, gauge)
    return code, misfit / freedom


@njit(cache=True, nogil=True)
def misfit_of(code: int, s: Floats, core: Ints, mesh: Mesh, gauge: Gauge) -> tuple[float, int]:
    """Block misfit per degree of freedom of a shape on all of a region's core, and the degrees of freedom."""
    points = gathered(mesh.vertices, core, 20_000)
    blocks, count = model_selection.blocks_of(points, block_size(core, mesh))
    total = model_selection.misfit(code, s, points, blocks, count, gauge)
    freedom = max(count - int(model_selection.WIDTHS[code]), 1)
    return total / freedom, freedom


@njit(cache=True, nogil=True)
def _openness(on: Candidate, rim: Ints, core: Ints, mesh: Mesh, scratch: Scratch, gauge: Gauge) -> float:
    """Share of the rim beyond which the surface goes on, 0 where it doesn't matter; members must be marked."""
    if goes_round(on.code, on.packed, core, mesh):
        return 0.0
    return beyond_rim(on, rim, NO_REGION, 3, _TANGENT, mesh, scratch, gauge)[0]


@njit(cache=True)
def picked(waiting: Longs, starts: Starts, barred: Mask, most: int, mesh: Mesh, gauge: Gauge) -> Bytes:
    """What to do with each of the starts `waiting`: 0 drop it, 1 grow it now, 2 let it wait; (n,) uint8.

    Dropped is what lies in a region or in what is barred. At most `most` grow at once, none of them close to
    another one or on its surface carried on: two seeds of one surface would both grow into all of it.
    """
    out = np.full(len(waiting), 2, dtype=np.uint8)
    now = np.empty(most, dtype=np.int64)
    count = put_off = 0
    for k in range(len(waiting)):
        if count == most or put_off == _PUT_OFF * most:
            break
        start = waiting[k]
        i = starts.seed[start]
        if mesh.label[i] != NO_REGION or barred[i]:
            out[k] = 0
            continue
        x, y, z = mesh.vertices[i, 0], mesh.vertices[i, 1], mesh.vertices[i, 2]
        alone = True
        for other in now[:count]:
            j = starts.seed[other]
            apart = np.sqrt(
                (x - mesh.vertices[j, 0]) ** 2 + (y - mesh.vertices[j, 1]) ** 2 + (z - mesh.vertices[j, 2]) ** 2
            )
            s = starts.packed[other]
            if apart > _APART * (starts.radius[start] + starts.radius[other]):
                away, gx, gy, gz = gradient(starts.code[other], s, x, y, z)
                if abs(away) > GATE * gauge.sigma + _LEVER * apart:
                    continue
                facing_it = gx * mesh.normals[i, 0] + gy * mesh.normals[i, 1] + gz * mesh.normals[i, 2]
                if abs(facing_it) < gauge.cosine:
                    continue
            alone = False
            put_off += 1
            break
        if alone:
            now[count] = start
            count += 1
            out[k] = 1
    return out


@njit(cache=True, nogil=True)
def _patch_of(starts: Starts, k: int, mesh: Mesh) -> Ints:
    """The vertices that start k was fitted to."""
    table = np.full(4096, -1, dtype=np.int32)
    out = np.empty(2048, dtype=np.int32)
    count = patch(mesh, starts.crease[k], starts.seed[k], starts.radius[k], table, out)
    return out[:count].copy()


@njit(cache=True, nogil=True)
def develop(
    starts: Starts, k: int, allowed: Mask, mesh: Mesh, scratch: Scratch, gauge: Gauge
) -> tuple[int, Floats, float, Ints, Ints, float, float, int]:
    """Grow the patch of start k until it stands still; what a `Growth` holds, in its order."""
    code, s = int(starts.code[k]), starts.packed[k].copy()
    members = _patch_of(starts, k, mesh)
    core = rim = members
    sign = facing(code, s, members, mesh)
    before, chosen_at, settled, beyond = 0, 0, False, np.nan
    tried = np.zeros(len(allowed), dtype=np.bool_)
    first = (code, s, sign, core, 1.0)
    for _ in range(_ROUNDS):
        limit = _STEP * max(len(members), 60)
        members, core, rim = spread(Candidate(code, s, sign), members, limit, mesh, scratch, gauge)
        if len(members) < SMALLEST // 2:
            if tried.any():
                # The other kind fits nothing here. What the first one reaches bars its seeds all the same: each of
                # them would grow as far again, only to end as this one did.
                code, s, sign, core, beyond = first
                return code, s, sign, core, core, beyond, np.inf, 1
            return -1, s, sign, members, core, 1.0, np.inf, 1
        stands = len(members) < limit and abs(len(members) - before) <= 0.01 * len(members)
        creeps = len(members) < min(limit, _CREEPING * before)
        before = len(members)
        beyond = np.nan
        if (creeps or stands) and chosen_at > 0:
            beyond = _openness(Candidate(code, s, sign), rim, core, mesh, scratch, gauge)
        # A surface of the right kind leaps to where it ends; what grows a rim at a time and could go on is skin.
        if (stands and settled) or beyond > _HOPELESS:
            break
        effort, among = _EFFORT, allowed
        if stands and chosen_at > 0 and beyond < OPEN:
            effort = _FINAL_EFFORT
        elif stands and chosen_at > 0:
            # The surface goes on: of a narrow cone or torus a short stretch can't be told from a cylinder, and a
            # cylinder spreads no further than that. Another kind may; if none does, it is what it was.
            if not tried.any():
                first = (code, s.copy(), sign, core, beyond)
            tried[code] = True
            effort, among = _OTHER_EFFORT, allowed & ~tried
            if not among.any():
                break
        settled = stands
        if not stands and len(members) <= 3 * chosen_at:
            model_selection.settle(code, s, gathered(mesh.vertices, core, effort.most), gauge.sigma, effort.rounds)
            continue
        was = code
        code, _ = choose(core, was, s, among, effort, mesh, gauge)
        if code < 0:
            if among[was]:
                return -1, s, sign, members, core, 1.0, np.inf, 1
            break
        chosen_at = len(members)
        if code != was:
            sign = facing(code, s, core, mesh)
            settled = False
    if np.isnan(beyond):
        beyond = _openness(Candidate(code, s, sign), rim, core, mesh, scratch, gauge)
    if beyond >= OPEN or len(members) < SMALLEST:
        if tried.any():
            code, s, sign, core, beyond = first
        return code, s, sign, members, core, beyond, np.inf, 1
    misfit, freedom = misfit_of(code, s, core, mesh, gauge)
    return code, s, sign, members, core, beyond, misfit, freedom


@njit(cache=True, nogil=True)
def develop_many(
    which: Longs, starts: Starts, allowed: Mask, mesh: Mesh, scratch: Scratch, gauge: Gauge
) -> tuple[Longs, Floats, Floats, Longs, Ints, Longs, Ints, Floats, Floats, Longs]:
    """`develop` for the starts at `which`, in columns; members and cores lie one after another."""
    n = len(which)
    codes, freedoms = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    counts, inner = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    shapes = np.empty((n, starts.packed.shape[1]))
    signs, openness, misfits = np.empty(n), np.empty(n), np.empty(n)
    members: list[Ints] = []
    cores: list[Ints] = []
    for k in range(n):
        codes[k], shapes[k], signs[k], whole, core, openness[k], misfits[k], freedoms[k] = develop(
            starts, which[k], allowed, mesh, scratch, gauge
        )
        counts[k], inner[k] = len(whole), len(core)
        members.append(whole)
        cores.append(core)
    return codes, shapes, signs, counts, _strung(members), inner, _strung(cores), openness, misfits, freedoms


@njit(cache=True, nogil=True)
def _strung(arrays: list[Ints]) -> Ints:
    """Arrays one after another."""
    count = 0
    for array in arrays:
        count += len(array)
    out = np.empty(count, dtype=np.int32)
    at = 0
    for array in arrays:
        out[at : at + len(array)] = array
        at += len(array)
    return out
