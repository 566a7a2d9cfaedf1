"""Finding the machined surfaces on a dense noisy scan: seeds, growth, choice of kind, merging.

Patches of falling size are fitted with every kind, large ones first; a patch that fits within the noise
spreads over the mesh as far as distance and normal stay within it, is refitted, and so on until it stands
still. All lengths come from the scan: its noise, its edge length, its size.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.features.segmentation import model_selection, region_growing, vertex_walks
from pipeline.features.segmentation.model_selection import CLIP, Effort
from pipeline.features.segmentation.region_growing import MISFIT, NEGLIGIBLE, OPEN, SMALLEST, Growth, Starts
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION, Candidate, Gauge, Mesh, Scratch
from pipeline.features.uncertainty import short_range_sigma
from pipeline.geometry import Floats, Ints, Mask, Singles, box_of
from pipeline.lengths import mm, um
from pipeline.mesh.topology import vertex_normals, vertex_ring
from pipeline.progress import Progress, silent
from pipeline.surfaces import COUNT, KINDS, Kind, distances, gradients
from pipeline.values import Surface

NAMES, _KINDS = tuple(KINDS), tuple(KINDS.values())
SMALL = 400
_TINY = 100  # vertices
WAVE_SHARE = 0.6  # correlated part of the noise against the white one, until the large faces have told
_ROUNDING = 1.2  # mm within which a scanner has turned round an edge
FINAL_SAMPLE = 900
_SEED_SAMPLE = 60
_CELL = 1.4  # patch radii: edge of the cubes that give one seed each
_FEWEST, _MOST = 4, 256  # seeds that grow at once
_THREADS = 8
_PARALLEL = 0.9998  # cosine
_LARGE = 12  # faces to learn the noise from
_ALIKE = 1.3  # of the quiet ones' rms
_MORE = 1.1  # times the noise that the regions were looked for with
_FORM = 1.12  # times the noise: rms above which a surface has a form of its own
_WARP = 0.35  # of the noise, for few vertices: waves as long as a small face hardly bend it
_SURE = 20.0  # times its variance by chance, chi squared of 3 degrees of freedom: once in 6,000
_FEW, _ROUGH = 75, 3.0  # vertices of a slice to try a kind on, and rms in units of the noise that ends it
_LOW, _HIGH, _NEAR, _CODE, _AXIS, _RADIUS = slice(0, 3), slice(3, 6), 6, 7, slice(8, 11), 11  # columns of `_rows`


@dataclass
class Segmentation:
    """The mesh as segmentation sees it; arrays per vertex unless said otherwise.

    edge (n,) mean edge length, mm; share (n,) mm2 of surface; bend (n,) rad, largest turn of the normal
    nearby; turn (n,) rad, the same within one ring; label (n,) index of the region or -1;
    low (3,) mm, least coordinates; cosine: of the angle that a normal may be off; rings in compressed rows.
    """

    vertices: Floats
    faces: Ints
    normals: Floats
    indptr: Ints
    indices: Ints
    edge: Singles
    share: Singles
    bend: Singles
    turn: Singles
    median_edge: float
    low: Floats
    diagonal: float
    white: float
    wave: float
    cosine: float
    label: Ints
    scratch: Scratch

    @property
    def sigma(self) -> float:
        return float(np.hypot(self.white, self.wave))

    @property
    def mesh(self) -> Mesh:
        return Mesh(
            self.vertices, self.normals, self.indptr, self.indices, self.label, self.turn, self.edge, self.share
        )

    @property
    def gauge(self) -> Gauge:
        return Gauge(self.white, self.wave, self.sigma, self.cosine)


@dataclass
class Region:
    """A patch of vertices on one surface.

    code, packed  the kind and its packed shape; sign +1 where the facets' normals agree with the
                  geometric one (a boss), -1 where they oppose it (a bore)
    members       vertex ids; core: those away from the rim
    misfit        block misfit per degree of freedom (there are `freedom`), about 1 where form is hidden in noise
    openness      share of the rim beyond which the surface goes on
    low, high     (3,) corners of the box that holds it, mm
    """

    code: int
    packed: Floats
    sign: float
    members: Ints
    core: Ints
    misfit: float
    freedom: int
    area: float
    openness: float
    low: Floats
    high: Floats

    @property
    def kind(self) -> Kind:
        return _KINDS[self.code]

    @property
    def candidate(self) -> Candidate:
        return Candidate(self.code, self.packed, self.sign)


@dataclass(frozen=True)
class _Crew:
    """Threads that work on many seeds at once, and for each of them scratch arrays of its own."""

    pool: ThreadPoolExecutor
    scratch: list[Scratch]

    def shares(self, values: NDArray[Any]) -> list[NDArray[Any]]:
        """Values dealt out in turn, one share for each thread that has something to do."""
        workers = max(1, min(len(self.scratch), len(values)))
        return [np.ascontiguousarray(values[i::workers]) for i in range(workers)]


def prepare(surface: Surface, white: float) -> Segmentation:
    """Adjacency, smoothed normals and scratch arrays for a surface with white noise `white` mm."""
    v, f = surface.vertices, surface.faces
    n = len(v)
    share = vertex_walks.vertex_shares(v, f)
    indptr, indices = vertex_ring(f, n)
    edge = vertex_walks.ring_measures(v, indptr, indices)
    h = float(np.median(edge[:: max(1, n // 200_000)]))
    low, high = box_of(v)
    diagonal = float(np.linalg.norm(high - low))
    white = max(white, 2e-4 * h, 1e-7 * diagonal)
    normals = vertex_normals(v, f)
    raw = 0.9 * white / h  # rad, of a vertex normal on an even mesh
    passes = int(np.clip(np.ceil((raw / 0.012) ** 2 / 3.0), 2, 25))
    gate = float(np.cos(max(0.8 * 2.83 * raw, 0.12)))
    other = np.empty_like(normals)
    for _ in range(passes):
        vertex_walks.smoothed(normals, indptr, indices, gate, other)
        normals, other = other, normals
    del other
    bend = vertex_walks.bends(normals, indptr, indices)
    turn = bend
    for _ in range(2):
        bend = vertex_walks.ring_maximum(bend, indptr, indices)
    left = raw / np.sqrt(1.0 + 3.0 * passes)
    return Segmentation(
        v,
        f,
        normals,
        indptr,
        indices,
        edge,
        share,
        bend,
        turn,
        h,
        low,
        diagonal,
        white,
        max(WAVE_SHARE * white, short_range_sigma(v, normals, turn, indptr, indices)),
        float(np.cos(max(np.radians(12.0), 5.0 * left))),
        np.full(n, NO_REGION, dtype=np.int32),
        region_growing.scratch_for(n),
    )


def segment(
    ground: Segmentation, kinds: tuple[str, ...], progress: Progress = silent
) -> tuple[list[Region], list[Growth]]:
    """Regions found, in the order found, label holds their indices; and what was refused for its open rim alone."""
    allowed = np.array([name in kinds for name in NAMES])
    found: list[Region] = []
    ajar: list[Growth] = []
    radii = _radii(ground)
    workers = min(numba.get_num_threads(), _THREADS)
    # What a level bars follows from the one before alone, so that it is found out beside that one's growing.
    barred = np.zeros(len(ground.vertices), dtype=np.bool_)
    with ThreadPoolExecutor(1) as aside, ThreadPoolExecutor(workers) as pool:
        more = [region_growing.scratch_for(len(ground.vertices)) for _ in range(workers - 1)]
        crew = _Crew(pool, [ground.scratch, *more])
        for level, (radius, rings) in enumerate(radii):
            progress(level / len(radii), f"patches of {radius:.3g} mm")
            ahead = aside.submit(unpromising, ground, (radius, rings)) if level + 1 < len(radii) else None
            cell = _CELL * max(radius, rings * ground.median_edge)
            seeds = vertex_walks.spread_seeds(
                ground.vertices, ground.normals, ground.bend, ground.label, barred, cell, ground.low
            )
            _take(ground, _judged(ground, seeds, radius, rings, allowed, crew), allowed, barred, found, ajar, crew)
            if ahead is not None:
                barred = ahead.result()
    _take_rings(ground, ajar, found)
    progress(1.0)
    return found, ajar


def find_regions(
    ground: Segmentation, kinds: tuple[str, ...], progress: Progress = silent
) -> tuple[list[Region], list[Growth]]:
    """Regions found, joined, and the noise learned from them; looked for once more where it turns out larger.

    The second list is what was refused for its open rim alone. Of noise that neighbours share, as in smoothed meshes,
    the first patches show a part only; where they show none what is learned is a correction that the search need not
    know.
    """
    shared = ground.wave > WAVE_SHARE * ground.white
    for last in (False, False, True):
        before = ground.sigma
        found, ajar = segment(ground, kinds, progress)
        found = joined(ground, found, kinds)
        learned(ground, found)
        if last or not shared or ground.sigma < _MORE * before:
            break
        ground.label[:] = NO_REGION
    return found, ajar


def unpromising(ground: Segmentation, before: tuple[float, float]) -> Mask:
    """Vertices round which a larger patch lay on one smooth face: there a smaller one has nothing new to find."""
    radius = max(before[0], before[1] * ground.median_edge)
    return ~vertex_walks.near_bends(
        ground.turn, ground.indptr, ground.indices, ground.edge, 1.0 / (0.4 * radius), 1.1 * radius
    )


def _radii(ground: Segmentation) -> list[tuple[float, float]]:
    """Patch radii, mm and in edges, from large to small."""
    largest = max(10.0 * ground.median_edge, 0.02 * ground.diagonal)
    smallest = 2.6 * ground.median_edge
    steps = max(int(np.ceil(np.log(largest / smallest) / np.log(1.7))), 1)
    return [(largest * (smallest / largest) ** (k / steps), 10.0 * 0.26 ** (k / steps)) for k in range(steps + 1)]


def _judged(ground: Segmentation, seeds: Ints, radius: float, rings: float, allowed: Mask, crew: _Crew) -> Starts:
    """The seeds whose patch, `radius` mm or `rings` edges wide, some kind fits: simple kinds first, then the best."""

    def judge(some: Ints) -> tuple[NDArray[Any], ...]:
        return model_selection.judge_seeds(ground.mesh, some, rings, radius, allowed, ground.sigma, 1.3, _SEED_SAMPLE)

    shares = crew.shares(seeds)
    codes, shapes, rms, reaches, limits = map(np.concatenate, zip(*crew.pool.map(judge, shares), strict=True))
    seeds = np.concatenate(shares)
    order = np.lexsort((seeds, rms, codes))
    order = order[codes[order] >= 0]
    return Starts(codes[order], shapes[order], seeds[order], reaches[order], limits[order])


def _take(
    ground: Segmentation,
    starts: Starts,
    allowed: Mask,
    barred: Mask,
    found: list[Region],
    ajar: list[Growth],
    crew: _Crew,
) -> None:
    """Grow regions from the starts, in their order; those that stand get their label and are added to `found`.

    What is refused for its open rim alone is added to `ajar`.

    Many seeds grow at once, as if each were alone; one that has run into a region that was taken before it is
    grown anew. How many do so follows from how often that happens, never from the machine, so that the same
    scan gives the same regions everywhere. What is refused bars the seeds within it.
    """
    waiting = np.arange(len(starts.seed))
    many = _FEWEST
    while True:
        what = region_growing.picked(waiting, starts, barred, many, ground.mesh, ground.gauge)
        batch, waiting = waiting[what == 1], waiting[what == 2]
        if not len(batch):
            return
        tasks = [
            crew.pool.submit(region_growing.develop_many, share, starts, allowed, ground.mesh, scratch, ground.gauge)
            for share, scratch in zip(crew.shares(batch), crew.scratch, strict=False)
        ]
        grown = [region_growing.taken_apart(task.result()) for task in tasks]
        clashes = []
        for place, k in enumerate(batch):
            result = grown[place % len(grown)][place // len(grown)]
            if ground.label[starts.seed[k]] != NO_REGION or (ground.label[result.members] != NO_REGION).any():
                clashes.append(k)
            elif result.code < 0 or barred[starts.seed[k]]:
                continue
            elif good(result):
                ground.label[result.members] = len(found)
                found.append(_measured(ground, *result))
            else:
                barred[result.members] = True
                if result.openness >= OPEN and len(result.core) >= _TINY:
                    ajar.append(result)
        waiting = np.concatenate([np.array(clashes, dtype=waiting.dtype), waiting])
        many = max(many // 2, _FEWEST) if clashes else min(2 * many, _MOST)


def _take_rings(ground: Segmentation, ajar: list[Growth], found: list[Region]) -> None:
    """Add to `found` what goes round an axis in stretches: a journal between two fillets that is slit by ribs.

    Each stretch alone runs smoothly into the fillets, as many a bit of skin does; together they go round so far that
    chance can't have made it.
    """
    stretches = []
    for growth in ajar:
        core = growth.core[ground.label[growth.core] == NO_REGION]
        if len(core) >= _TINY and _KINDS[growth.code].axial and _KINDS[growth.code].ruled:
            # None of them stands alone, so that its misfit, which is long to reckon, stays endless.
            stretches.append(_measured(ground, growth.code, growth.packed, growth.sign, core, core, *growth[5:]))
    stretches.sort(key=lambda stretch: -len(stretch.core))
    rows = _rows(ground, stretches)
    waiting = np.ones(len(stretches), dtype=np.bool_)
    for first, ring in enumerate(stretches):
        if not waiting[first]:
            continue
        alike = _coaxial(ring, rows)
        for k in range(first + 1, len(stretches)):
            longer = _ring(ground, ring, stretches[k]) if alike[k] and waiting[k] else None
            if longer is not None:
                ring, waiting[k], alike = longer, False, _coaxial(longer, rows)
        if good(ring) and region_growing.goes_round(ring.code, ring.packed, ring.core, ground.mesh):
            ground.label[ring.members] = len(found)
            found.append(ring)


def _ring(ground: Segmentation, one: Region, other: Region) -> Region | None:
    """Two stretches of round surface on one axis as one, or None where they don't lie side by side on it."""
    if one.sign != other.sign or not _side_by_side(ground, one, other):
        return None
    core = np.union1d(one.core, other.core)
    s = one.packed.copy()
    step = max(1, len(core) // FINAL_SAMPLE)
    model_selection.settle(one.code, s, ground.vertices[core[::step]], ground.sigma, 3)
    for stretch in (one, other):
        points = ground.vertices[stretch.core[:: max(1, len(stretch.core) // 100)]]
        if model_selection.clipped_rms(one.code, s, points, GATE * ground.sigma) > 1.3 * ground.sigma:
            return None
    return region_of(ground, one.code, s, one.sign, core, core, 0.0)


def good(result: Growth | Region) -> bool:
    misfits = result.misfit >= MISFIT + 6.0 / np.sqrt(result.freedom)
    return not misfits and len(result.members) >= SMALLEST and result.openness < OPEN


def region_of(
    ground: Segmentation,
    code: int,
    s: Floats,
    sign: float,
    members: Ints,
    core: Ints,
    openness: float,
) -> Region:
    """A region with its measures."""
    return _measured(ground, code, s, sign, members, core, openness, *misfit_of(ground, code, s, core))


def _measured(
    ground: Segmentation,
    code: int,
    s: Floats,
    sign: float,
    members: Ints,
    core: Ints,
    openness: float,
    misfit: float,
    freedom: int,
) -> Region:
    points = ground.vertices[members[:: max(1, len(members) // 2000)]]
    area = float(ground.share[members].sum())
    return Region(code, s, sign, members, core, misfit, freedom, area, openness, *box_of(points))


def marked(ground: Segmentation, members: Ints) -> None:
    """Mark members with a fresh stamp, as if they had just been spread over."""
    ground.scratch.stamp[0] += 2
    ground.scratch.mark[members] = ground.scratch.stamp[0]


def facing(ground: Segmentation, code: int, s: Floats, members: Ints) -> float:
    """+1 where the facets' normals agree with the geometric ones, else -1; a plane is turned to agree."""
    return region_growing.facing(code, s, members, ground.mesh)


def choose(
    ground: Segmentation,
    core: Ints,
    was: int,
    s: Floats,
    allowed: Mask,
    most: int,
) -> tuple[int, float]:
    """Choose the kind for a region's core; s receives its shape."""
    return region_growing.choose(core, was, s, allowed, Effort(most, 3, NEGLIGIBLE), ground.mesh, ground.gauge)


def misfit_of(ground: Segmentation, code: int, s: Floats, core: Ints) -> tuple[float, int]:
    """Block misfit per degree of freedom of a shape on all of a region's core, and the degrees of freedom."""
    return region_growing.misfit_of(code, s, core, ground.mesh, ground.gauge)


def joined(ground: Segmentation, found: list[Region], kinds: tuple[str, ...]) -> list[Region]:
    """Put together what is one surface in pieces: close by, and the joint fit as good as each alone."""
    allowed = np.array([name in kinds for name in NAMES])
    apart: dict[tuple[int, int], tuple[Region, Region]] = {}
    before = len(found) + 1
    while len(found) < before:
        before = len(found)
        found = _joined_once(ground, found, allowed, apart)
    return found


def _joined_once(
    ground: Segmentation,
    found: list[Region],
    allowed: Mask,
    apart: dict[tuple[int, int], tuple[Region, Region]],
) -> list[Region]:
    """One pass; `apart` has the pairs that are known to be two surfaces, by what `id` says, and receives more."""
    todo = sorted(found, key=lambda region: -region.area)
    out: list[Region] = []
    rows = _rows(ground, todo)
    while todo:
        large, row = todo.pop(0), rows[0]
        rows = rows[1:]
        apart_by = np.maximum(rows[:, _LOW] - row[_HIGH], row[_LOW] - rows[:, _HIGH]).max(axis=1)
        close = apart_by <= rows[:, _NEAR]
        coaxial = _coaxial(large, rows)
        kept = np.ones(len(todo), dtype=np.bool_)
        for k in np.flatnonzero(close | coaxial):
            small = todo[k]
            pair = id(large), id(small)
            if pair in apart:
                continue
            halves = bool(coaxial[k]) and _side_by_side(ground, large, small)
            both = _together(ground, large, small, allowed, halves) if close[k] or halves else None
            if both is not None:
                large = both
                kept[k] = False
            else:
                apart[pair] = large, small
        if kept.all():
            out.append(large)
            continue
        todo = [large, *(small for k, small in enumerate(todo) if kept[k])]
        rows = np.vstack([_rows(ground, [large]), rows[kept]])
    return out


def _rows(ground: Segmentation, found: list[Region]) -> Floats:
    """(k, 12) of each region what tells which of many may be pieces of one surface; columns by _LOW and so on."""
    rows = [(*r.low, *r.high, _within(ground, r), r.code, *r.packed[3:6], r.packed[12]) for r in found]
    return np.array(rows).reshape(-1, 12)


def _coaxial(one: Region, rows: Floats) -> Mask:
    """(k,) which may be stretches of the same round surface as `one` by their direction and radius."""
    if not one.kind.axial:
        return np.zeros(len(rows), dtype=np.bool_)
    out = (rows[:, _CODE] == one.code) & (np.abs(rows[:, _AXIS] @ one.packed[3:6]) >= _PARALLEL)
    if not one.kind.tapered:
        out &= np.abs(rows[:, _RADIUS] - one.packed[12]) <= 0.02 * one.packed[12]
    return out


def _within(ground: Segmentation, small: Region) -> float:
    """How near, mm, a region must lie to another to be a piece of the same surface."""
    return float(0.5 * np.sqrt(small.area) + 4.0 * ground.median_edge)


def _together(ground: Segmentation, large: Region, small: Region, allowed: Mask, halves: bool) -> Region | None:
    """The two, which lie close or are halves of one round surface, as one region; None where they are two surfaces."""
    # Of one groove a slice is a cone that faces inwards, another a cone that faces outwards.
    if large.code == small.code and large.kind.axial and large.kind.drawn and large.sign != small.sign:
        return None
    some = small.core[:: max(1, len(small.core) // 100)]
    points = ground.vertices[some]
    same = model_selection.clipped_rms(large.code, large.packed, points, 1e9) < 8.0 * ground.sigma
    # Slices of a narrow cone or a torus pass for cylinders, each with an axis of its own.
    slices = large.kind.axial and small.kind.axial
    if not same and not (slices and large.area < 20.0 * small.area):
        return None
    if same:
        # By their own surfaces: vertices of what is a few edges wide face halfway to what lies beyond its edges.
        normals, others = (region.sign * gradients(region.code, region.packed, points) for region in (large, small))
        if float(np.einsum("ij,ij->i", normals, others).mean()) < 0.95:
            return None
    starts = [(large.code, large.packed.copy())] if same else _bent_through(ground, large, small, allowed)
    # Only what is one surface already may be parted by a gap: two parallel holes are slices of some large ring.
    if not starts or (not (same and halves) and not _touching(ground, large, small, _within(ground, small))):
        return None
    core = np.concatenate([large.core, small.core])
    members = np.concatenate([large.members, small.members])
    for code, s in starts:
        if same:
            step = max(1, len(core) // FINAL_SAMPLE)
            model_selection.settle(code, s, ground.vertices[core[::step]], ground.sigma, 3)
        elif choose(ground, core, code, s, np.arange(COUNT) == code, FINAL_SAMPLE)[0] < 0:
            continue
        alone = model_selection.clipped_rms(code, s, points, GATE * ground.sigma)
        together, _ = misfit_of(ground, code, s, core)
        if alone < 1.3 * ground.sigma and together < max(1.5 * large.misfit, 2.0):
            sign = large.sign if same else facing(ground, code, s, core)
            return region_of(ground, code, s, sign, members, core, max(large.openness, small.openness))
    return None


def _bent_through(ground: Segmentation, large: Region, small: Region, allowed: Mask) -> list[tuple[int, Floats]]:
    """Kinds and packed shapes that a few vertices of each of two slices hardly stray from."""
    few = np.concatenate([r.core[:: max(1, len(r.core) // _FEW)] for r in (large, small)])
    out = []
    for code, kind in enumerate(_KINDS):
        if not kind.sliced or not allowed[code]:
            continue
        s = large.packed.copy()
        if choose(ground, few, large.code, s, np.arange(COUNT) == code, len(few))[0] < 0:
            continue
        if model_selection.clipped_rms(code, s, ground.vertices[few], 1e9) < _ROUGH * ground.sigma:
            out.append((code, s))
    return out


def _side_by_side(ground: Segmentation, one: Region, other: Region) -> bool:
    """Whether two stretches on one axis may be parts of one, parted by what cuts through it: at the same height."""
    axis = one.packed[3:6]
    heights = [(ground.vertices[r.core[:: max(1, len(r.core) // 200)]] - one.packed[:3]) @ axis for r in (one, other)]
    (low, high), (bottom, top) = ((float(h.min()), float(h.max())) for h in heights)
    return min(high, top) - max(low, bottom) > 0.3 * min(high - low, top - bottom)


def _touching(ground: Segmentation, one: Region, other: Region, within: float) -> bool:
    """Whether some vertices of two regions lie within so many mm of each other."""
    from scipy.spatial import cKDTree

    a, b = (ground.vertices[r.members[:: max(1, len(r.members) // 1500)]] for r in (one, other))
    low, high = box_of(a)
    b = b[((b > low - within) & (b < high + within)).all(axis=1)]
    return len(b) > 0 and bool(np.isfinite(cKDTree(a).query(b, distance_upper_bound=within)[0]).any())


def learned(ground: Segmentation, found: list[Region]) -> None:
    """Set the correlated part of the noise from what the largest faces show beyond the white one.

    Skin that nearly hides in the noise is among them where machined faces are few; the noise is the same on all
    machined faces, and skin stands out of it, so that what lies well above the quiet quarter of the area is left out.
    """
    large = [r for r in found if r.kind.drawn and len(r.core) > 200][:_LARGE]
    if not large:
        return
    rms = np.array([rms_of(ground, region) for region in large])
    order = np.argsort(rms)
    area = np.cumsum([large[k].area for k in order])
    quiet = rms[order[np.searchsorted(area, 0.25 * area[-1])]]
    seen = float(np.median(rms[rms <= _ALIKE * quiet][:8]))
    most = max(4.0 * ground.white, 2.0 * ground.wave)
    ground.wave = float(np.clip(np.sqrt(max(seen**2 - ground.white**2, 0.0)), 0.25 * ground.white, most))


def rms_of(ground: Segmentation, region: Region) -> float:
    points = ground.vertices[region.core[:: max(1, len(region.core) // 20_000)]]
    return float(model_selection.clipped_rms(region.code, region.packed, points, CLIP * ground.sigma))


def grown(ground: Segmentation, region: Region, index: int) -> Region:
    """The region spread once more over what nobody has, with the final shape; labels must be up to date."""
    ground.label[region.members] = NO_REGION
    members, core, _ = region_growing.spread(
        region.candidate, region.members, len(ground.vertices), ground.mesh, ground.scratch, ground.gauge
    )
    if len(members) < SMALLEST:
        members, core = region.members, region.core
    ground.label[members] = index
    return region_of(ground, region.code, region.packed, region.sign, members, core, region.openness)


def carriers(ground: Segmentation, region: Region) -> Ints:
    """The members that are said to carry a region: those at its rim that lead away from it are left out.

    Whether a region stands is decided with them, because they tell of its form.
    """
    marked(ground, region.members)
    return region_growing.trimmed(region.code, region.packed, region.members, ground.mesh, ground.scratch, ground.gauge)


def form_doubt(ground: Segmentation, region: Region) -> str | None:
    """Why a region's form says that it is no machined surface; None where it says nothing."""
    rms = rms_of(ground, region)
    few = 1.0 + 2.0 / np.sqrt(2.0 * len(region.core))
    if rms > _FORM * few * ground.sigma:
        return f"form: {um(rms)} rms where the scan's noise explains {um(ground.sigma)}"
    if region.misfit >= 4.0 + 6.0 / np.sqrt(region.freedom):
        return f"form: its waves are {np.sqrt(region.misfit):.1f} times those of the scan's noise"
    warp = warped(ground, region, region.core, _SURE, SMALL) if region.kind.flat else None
    return warp and f"form: {warp}"


def warped(ground: Segmentation, region: Region, members: Ints, sure: float, few: float) -> str | None:
    """How some members of a plane are bowed or twisted beyond what the noise explains; None where they aren't.

    sure  how many times its variance by chance the bend's is at least
    few   vertices: of a region with fewer a lesser bend tells

    On many vertices the rms tells as much. On few it can't: chance spreads that as far as form would.
    """
    points = ground.vertices[members[:: max(1, len(members) // 20_000)]]
    away = distances(region.code, region.packed, points)
    away = np.clip(away, -CLIP * ground.sigma, CLIP * ground.sigma)
    u, v = region.packed[6:12].reshape(2, 3) @ (points - points.mean(axis=0)).T
    level = np.column_stack([np.ones(len(points)), u, v])
    # What the bends have in common with the plane itself is the plane's.
    bends = np.column_stack([u * u, u * v, v * v])
    bends -= level @ np.linalg.lstsq(level, bends, rcond=None)[0]
    form = bends @ np.linalg.lstsq(bends, away, rcond=None)[0]
    square = float(np.mean(form**2))
    chance = ground.white**2 / len(points) + ground.wave**2 / (region.freedom + 3)
    most = _WARP if len(region.core) < few else np.sqrt(_FORM**2 - 1.0)
    if square < sure * chance or square - 3.0 * chance < (most * ground.sigma) ** 2:
        return None
    wide = max(float(np.ptp(u)), float(np.ptp(v)))
    return f"bowed or twisted by {um(float(np.ptp(form)))} over {mm(wide, '.0f')}"


def smooth_rim_share(ground: Segmentation, region: Region, index: int, breadth: float) -> float:
    """Share of the rim of a region `breadth` mm wide that runs smoothly into surface of none. Labels: up to date.

    A patch of a few vertices must end at a sharper edge than a large one: the flats between cast fillets are
    small. The smallest flats must also end sooner. Nothing further off than half its breadth is looked at: on a
    small part even skin has turned away there.
    """
    tangent = 45.0 if len(region.core) < SMALL else 25.0
    fewest = 2 if region.kind.flat and len(region.core) < _TINY else 3
    away = min(_ROUNDING, 0.5 * breadth)
    rings = int(np.clip(np.ceil(away / float(ground.edge[region.members].mean())), fewest, 12))
    marked(ground, region.members)
    cosine = float(np.cos(np.radians(tangent)))
    return region_growing.beyond_rim(
        region.candidate, region.members, index, rings, cosine, ground.mesh, ground.scratch, ground.gauge
    )[1]
