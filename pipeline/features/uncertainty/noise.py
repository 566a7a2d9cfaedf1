"""The scan's noise: its short waves from local fits, its long waves from the largest faces.

`white_sigma` needs nothing but the mesh. `learn` needs faces already fitted: what their residuals have in
common over distance is the noise that every other fit on the same scan suffers from, and a small feature
can't see it from within.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty.correlated_noise import cell_covariance
from pipeline.geometry import (
    Bytes,
    Floats,
    Ints,
    Longs,
    Mask,
    Singles,
    area_vectors,
    basis_of,
    cross,
    eliminate,
    scaled_mad,
    unit_rows,
)
from pipeline.jit import njit, prange
from pipeline.mesh.topology import vertex_normals
from pipeline.surfaces import Shape, jacobian, kind_of, signed_distance
from pipeline.values import NoiseModel

# float32 is what mesh files carry: coordinates are no better than this share of the largest of them.
FLOAT32_STEP = 2.0**-24
MIN_PATCH = 12
LARGEST_PATCH = 400
TERMS = 6  # of a quadric
_FEW_PATCHES = 2000
_CALM = 0.1  # rad


def white_sigma(vertices: Floats, faces: Ints, samples: int = 6000, rings: int = 3) -> float:
    """Standard deviation, mm, of the noise from vertex to vertex along the surface normal.

    Quadrics are fitted to the vertices within `rings` edges of up to `samples` vertices; the residuals,
    corrected for the six degrees of freedom of a quadric, are pooled over the patches that agree with
    each other, which leaves out edges and tight curves. Waves much longer than the patches are not in it.
    A tessellation of exact geometry gives 0: it has flat pairs of facets, which no noisy scan has, or noise below
    what its coordinates resolve.
    """
    if len(faces) == 0 or len(vertices) < MIN_PATCH:
        return 0.0
    chosen = np.unique(np.random.default_rng(0).integers(0, len(vertices), samples))
    ring = np.zeros(len(vertices), dtype=np.uint8)
    ring[chosen] = 1
    for level in range(1, rings + 1):
        _grow_ring(faces, ring, level)
    near = faces[_facets_within(faces, ring)]
    if _is_exact(vertices, near[np.any(ring[near] == 1, axis=1)]):
        return 0.0
    members = np.flatnonzero(ring)
    index = np.full(len(vertices), -1, dtype=np.int32)
    index[members] = np.arange(len(members), dtype=np.int32)
    points, near = np.ascontiguousarray(vertices[members]), index[near]
    start, neighbours = _links(near, len(members))
    normals = vertex_normals(points, near)
    squares, freedom = _patch_residuals(points, normals, start, neighbours, index[chosen].astype(np.int64), rings)
    sigma = _pooled_sigma(squares[freedom > 0], freedom[freedom > 0])
    return sigma if sigma > 4.0 * FLOAT32_STEP * float(np.abs(vertices).max()) else 0.0


def short_wave(
    vertices: Floats,
    normals: Floats,
    turn: Singles,
    indptr: Ints,
    indices: Ints,
) -> float:
    """Standard deviation, mm, of what noise has beyond the white one over a few edges, as smoothed meshes have it.

    Quadrics over patches of twice as many rings as those of `white_sigma` find the same white noise, and more of
    what neighbouring vertices have in common. `turn` (n,) rad, of the normal within one ring: where it is large, six
    rings go round a corner or a small hole. Rings in compressed rows, inner edges once or twice.
    """
    chosen = np.unique(np.random.default_rng(0).integers(0, len(vertices), _FEW_PATCHES))
    chosen = chosen[turn[chosen] < _CALM]
    start = indptr.astype(np.int64)
    near, far = (
        _pooled_sigma(squares[freedom > 0], freedom[freedom > 0])
        for squares, freedom in (_patch_residuals(vertices, normals, start, indices, chosen, rings) for rings in (3, 6))
    )
    return float(np.sqrt(max(far**2 - near**2, 0.0)))


def resolution(vertices: Floats) -> float:
    """How far, mm, a coordinate may be off by the rounding of the file: decimals if it has few, else float32."""
    largest = float(np.abs(vertices).max())
    single = 2.0**-23 * largest
    # A file of so many significant digits is coarsest where coordinates are largest.
    some = np.abs(vertices[np.abs(vertices) > 0.25 * largest])[:20_000]
    for decimals in range(1, 7):
        grid = 10.0**-decimals
        if np.abs(some - np.round(some / grid) * grid).max() <= 2.0 * single < 0.25 * grid:
            return max(0.5 * grid, single)
    return single


def _pooled_sigma(squares: Floats, freedom: Longs) -> float:
    """Pooled sigma of the patches whose variance is under twice the common one."""
    if len(squares) == 0:
        return 0.0
    variances = squares / freedom
    common = float(np.quantile(variances, 0.4))
    for _ in range(12):
        kept = variances <= 2.0 * common
        pooled = float(squares[kept].sum() / freedom[kept].sum())
        if abs(pooled - common) <= 1e-6 * common:
            break
        common = pooled
    return float(np.sqrt(common))


def _is_exact(vertices: Floats, faces: Ints) -> bool:
    """True when many neighbouring facets lie in one plane to the last bit of a float32.

    Noise spreads the heights of facets over their neighbours' planes evenly near zero; exact geometry
    heaps them up there.
    """
    edges = np.concatenate([faces[:, (k, (k + 1) % 3, (k + 2) % 3)] for k in range(3)]).astype(np.int64)
    owner = np.tile(np.arange(len(faces)), 3)
    key = edges[:, :2].min(axis=1) * len(vertices) + edges[:, :2].max(axis=1)
    order = np.argsort(key, kind="stable")
    twins = np.flatnonzero(key[order][1:] == key[order][:-1])
    if len(twins) == 0:
        return False
    first, second = order[twins], order[twins + 1]
    corners = vertices[faces[owner[first]]]
    normal = unit_rows(area_vectors(corners), 1e-300)
    height = np.abs(np.einsum("ij,ij->i", normal, vertices[edges[second, 2]] - corners[:, 0]))
    step = 4 * FLOAT32_STEP * float(np.abs(vertices).max())
    flat = np.mean(height <= step)
    return bool(flat > 0.04 and flat > 0.5 * np.mean(height <= 16 * step))


@njit(cache=True)
def _grow_ring(faces: Ints, ring: Bytes, level: int) -> None:
    """Number the vertices one edge beyond those numbered `level`."""
    for i in range(faces.shape[0]):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        if ring[a] == level or ring[b] == level or ring[c] == level:
            for vertex in (a, b, c):
                if ring[vertex] == 0:
                    ring[vertex] = level + 1


@njit(cache=True)
def _facets_within(faces: Ints, ring: Bytes) -> Mask:
    within = np.zeros(faces.shape[0], dtype=np.bool_)
    for i in range(faces.shape[0]):
        within[i] = ring[faces[i, 0]] > 0 and ring[faces[i, 1]] > 0 and ring[faces[i, 2]] > 0
    return within


@njit(cache=True)
def _links(faces: Ints, count: int) -> tuple[Longs, Ints]:
    """Vertex to vertex links in compressed rows; inner edges come twice, which does no harm."""
    start = np.zeros(count + 1, dtype=np.int64)
    for i in range(faces.shape[0]):
        for k in range(3):
            start[faces[i, k] + 1] += 2
    for i in range(count):
        start[i + 1] += start[i]
    neighbours = np.empty(start[count], dtype=np.int32)
    place = start[:-1].copy()
    for i in range(faces.shape[0]):
        for k in range(3):
            vertex = faces[i, k]
            neighbours[place[vertex]] = faces[i, (k + 1) % 3]
            neighbours[place[vertex] + 1] = faces[i, (k + 2) % 3]
            place[vertex] += 2
    return start, neighbours


@njit(cache=True)
def _patch_residuals(
    points: Floats, normals: Floats, start: Longs, neighbours: Ints, centres: Longs, rings: int
) -> tuple[Floats, Longs]:
    """Sum of squared residuals, mm2, and degrees of freedom of a quadric on the patch around each centre."""
    squares = np.zeros(len(centres))
    freedom = np.zeros(len(centres), dtype=np.int64)
    seen = np.full(points.shape[0], -1, dtype=np.int32)
    patch = np.empty(LARGEST_PATCH, dtype=np.int32)
    mean, axes = np.empty(3), np.empty((3, 3))
    for s in range(len(centres)):
        patch[0] = centres[s]
        seen[centres[s]] = s
        size = _spread_patch(start, neighbours, patch, seen, rings)
        if size < MIN_PATCH or not _lay_axes(points, normals, patch[:size], mean, axes):
            continue
        scale = _extent(points, patch[:size], mean)
        if not scale > 0.0:
            continue
        left = _left_by_quadric(points, patch[:size], mean, axes, scale)
        if left < 0.0:
            continue
        squares[s] = left * scale * scale
        freedom[s] = size - TERMS
    return squares, freedom


@njit(cache=True)
def _spread_patch(start: Longs, neighbours: Ints, patch: Ints, seen: Ints, rings: int) -> int:
    """Fill `patch` with the vertices within some rings of patch[0]; how many. `seen` holds its own mark at patch[0]."""
    mark = seen[patch[0]]
    size, done = 1, 0
    for _ in range(rings):
        end = size
        for i in range(done, end):
            for j in range(start[patch[i]], start[patch[i] + 1]):
                other = neighbours[j]
                if seen[other] != mark and size < len(patch):
                    seen[other] = mark
                    patch[size] = other
                    size += 1
        done = end
    return size


@njit(cache=True)
def _lay_axes(points: Floats, normals: Floats, patch: Ints, mean: Floats, axes: Floats) -> bool:
    """A patch's mean place, and rows of axes along it and (last) out of it; False where its normals cancel out."""
    size = len(patch)
    normal = np.zeros(3)
    mean[:] = 0.0
    for i in range(size):
        for k in range(3):
            mean[k] += points[patch[i], k] / size
            normal[k] += normals[patch[i], k]
    length = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    if not length > 0.0:
        return False
    # Along it as `basis_of` lays them, but by the sine of the tilt: the scan's noise is stated to the last bit.
    least = 0
    for k in range(3):
        normal[k] /= length
        if abs(normal[k]) < abs(normal[least]):
            least = k
    sine = np.sqrt(1.0 - normal[least] ** 2)
    for k in range(3):
        axes[0, k] = ((1.0 if k == least else 0.0) - normal[least] * normal[k]) / sine
        axes[2, k] = normal[k]
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        axes[1, k] = normal[i] * axes[0, j] - normal[j] * axes[0, i]
    return True


@njit(cache=True)
def _extent(points: Floats, patch: Ints, mean: Floats) -> float:
    """Root mean square distance, mm, of a patch's points from its mean."""
    spread = 0.0
    for i in range(len(patch)):
        for k in range(3):
            spread += (points[patch[i], k] - mean[k]) ** 2
    return np.sqrt(spread / len(patch))


@njit(cache=True)
def _left_by_quadric(points: Floats, patch: Ints, mean: Floats, axes: Floats, scale: float) -> float:
    """Sum of squared heights that a quadric leaves, -1 where the points determine none; in units of `scale`, mm, which
    makes the equations well scaled."""
    normal_matrix = np.zeros((TERMS, TERMS))
    right = np.zeros(TERMS)
    row = np.empty(TERMS)
    total = 0.0
    for i in range(len(patch)):
        x = y = z = 0.0
        for k in range(3):
            away = (points[patch[i], k] - mean[k]) / scale
            x += away * axes[0, k]
            y += away * axes[1, k]
            z += away * axes[2, k]
        row[0], row[1], row[2], row[3], row[4], row[5] = 1.0, x, y, x * x, x * y, y * y
        total += z * z
        for a in range(TERMS):
            right[a] += row[a] * z
            for b in range(TERMS):
                normal_matrix[a, b] += row[a] * row[b]
    solution = right.copy()
    if not eliminate(normal_matrix, solution):
        return -1.0
    for a in range(TERMS):
        total -= solution[a] * right[a]
    return max(0.0, total)


class FittedFace(NamedTuple):
    """A large face to learn from: its fitted shape and the points (n, 3) that carry it."""

    shape: Shape
    points: Floats


class _Block(NamedTuple):
    """Means of residuals in up to CELLS cells: mm; places (g, 3); cell width; points a cell; fit columns."""

    values: Floats
    centres: Floats
    cell: float
    counts: Floats
    columns: Floats


ACROSS = 7
CELLS = 49
BLOCKS_A_SCALE = 10
FINEST_BLOCKS = 3
LENGTH_STEP = 1.6
MAX_FACES = 10
MIN_POINTS = 300
LONGEST = 0.3
PRIOR = 2.0
ITERATIONS = 25
FEWEST = 4.0  # independent patches of a wave, at least


def learn_noise(faces: Sequence[FittedFace], white: float, edge: float) -> NoiseModel | None:
    """The scan's noise, white and in waves, from the residuals of its large faces.

    `white` (mm) is the estimate of `white_sigma`, `edge` the usual distance of neighbouring vertices, mm.
    Variances of white noise and of waves of Gaussian covariance, their lengths a geometric series from the
    edge to a quarter of the faces' size, are found together by restricted maximum likelihood (Patterson and Thompson
    1971) on cell means over windows of several sizes: "restricted" accounts for what the fits took out of
    the residuals. The steps multiply, so that variances stay positive. A wave's variance has as many degrees of
    freedom as independent patches of it, 2 pi length^2 each, fit on the faces. Returns None when no face has enough
    points.
    """
    if white <= 0.0:
        return _of_rounding(faces)
    large = _large_faces(faces)
    if not large:
        return None
    residuals = [_without_spikes(signed_distance(face.shape, face.points)) for face in large]
    form = float(np.sqrt(np.nanmean(np.concatenate([r**2 for r in residuals]))))
    sizes = [_size(face) for face in large]
    blocks: list[_Block] = []
    rng = np.random.default_rng(0)
    width = max(sizes)
    while width > 4.0 * edge:
        # White noise is told from the shortest waves by many small windows.
        count = BLOCKS_A_SCALE * (FINEST_BLOCKS if width <= 12.0 * edge else 1)
        blocks += _windows(large, residuals, sizes, width, count, rng)
        width /= 3.0
    count = max(2, int(np.log(LONGEST * max(sizes) / (1.5 * edge)) / np.log(LENGTH_STEP)) + 1)
    lengths = 1.5 * edge * LENGTH_STEP ** np.arange(count, dtype=np.float64)
    variances = _restricted_likelihood(blocks, lengths, white**2, max(form, white) ** 2)
    area = 0.87 * edge**2 * sum(len(face.points) for face in large)
    waves = _merged(variances[1:], lengths)
    freedom = np.append(np.inf, np.maximum(FEWEST, area / (2.0 * np.pi * waves[:, 1] ** 2)))
    sigma_white = float(np.sqrt(variances[0]))
    method = (
        f"restricted maximum likelihood on {len(large)} faces up to {max(sizes):.0f} mm; "
        "waves longer than that can't be seen"
    )
    return NoiseModel(sigma_white, form, np.vstack([[sigma_white, 0.0], waves]), method, freedom)


def _of_rounding(faces: Sequence[FittedFace]) -> NoiseModel | None:
    """What the rounding of its coordinates leaves uncertain on an exact tessellation.

    As much again is taken to be the same all over the part, because rows of a drawing's points share their coordinates:
    no number of points makes a radius better known than that. What residuals show beyond it is no noise but form.
    """
    if not faces:
        return None
    points = np.concatenate([face.points for face in faces])
    sigma = resolution(points) / np.sqrt(3.0)
    parts = np.array([[sigma, 0.0], [sigma, float(np.ptp(points, axis=0).max())]])
    return NoiseModel(sigma, sigma, parts, "exact geometry: the rounding of its coordinates")


def _large_faces(faces: Sequence[FittedFace]) -> list[FittedFace]:
    """The largest faces of kinds that are the same all along a line, without those whose form stands out."""
    usable = [f for f in faces if kind_of(f.shape).drawn and len(f.points) >= MIN_POINTS]
    usable.sort(key=_size, reverse=True)
    usable = usable[: 2 * MAX_FACES]
    if not usable:
        return []
    rms = np.array([np.nanstd(_without_spikes(signed_distance(f.shape, f.points))) for f in usable])
    calm = rms <= 1.5 * np.median(rms) + 1e-12
    return [face for face, keep in zip(usable, calm, strict=True) if keep][:MAX_FACES]


def _size(face: FittedFace) -> float:
    some = face.points[:: max(1, len(face.points) // 2000)]
    return float(np.sqrt(12.0 * np.linalg.eigvalsh(np.cov(some.T))[-1]))


def _without_spikes(residuals: Floats) -> Floats:
    """Residuals with those beyond five robust sigma made NaN."""
    return np.where(np.abs(residuals) <= 5.0 * scaled_mad(residuals) + 1e-12, residuals, np.nan)


def _windows(
    faces: list[FittedFace],
    residuals: list[Floats],
    sizes: list[float],
    width: float,
    count: int,
    rng: np.random.Generator,
) -> list[_Block]:
    """Blocks of cell means in cubes of `width`; faces not much larger than that give one block each."""
    whole = [i for i in range(len(faces)) if width / 1.8 < sizes[i] <= width * 1.8]
    larger = [i for i in range(len(faces)) if sizes[i] > width * 1.8]
    places = [(i, np.median(faces[i].points, axis=0), sizes[i] * 1.01) for i in whole]
    if larger:
        share = np.array([sizes[i] ** 2 for i in larger])
        for i in rng.choice(larger, count, p=share / share.sum()):
            places.append((int(i), faces[i].points[rng.integers(len(faces[i].points))], width))
    blocks = []
    for i, centre, side in places:
        shape = faces[i].shape
        basis = basis_of(shape.direction)
        axes = np.array([*basis, cross(basis[0], basis[1])])
        cell = side / ACROSS
        sums, counts, centres = _cell_sums(faces[i].points, residuals[i], axes, centre, cell, ACROSS)
        full = np.flatnonzero(counts > 0)
        if len(full) > CELLS:
            full = np.sort(rng.choice(full, CELLS, replace=False))
        if len(full) < 20:
            continue
        columns = jacobian(shape, centres[full], basis)
        blocks.append(_Block(sums[full] / counts[full], centres[full], cell, counts[full], columns))
    return blocks


@njit(cache=True)
def _cell_sums(
    points: Floats, values: Floats, axes: Floats, centre: Floats, cell: float, across: int
) -> tuple[Floats, Floats, Floats]:
    """Sums of values, their number and mean places in a cube of across^3 cells about a centre."""
    total = across * across * across
    sums, counts, centres = np.zeros(total), np.zeros(total), np.zeros((total, 3))
    half = 0.5 * across
    for i in range(points.shape[0]):
        if np.isnan(values[i]):
            continue
        place = 0
        for k in range(3):
            along = 0.0
            for j in range(3):
                along += axes[k, j] * (points[i, j] - centre[j])
            step = int(np.floor(along / cell + half))
            if step < 0 or step >= across:
                place = -1
                break
            place = place * across + step
        if place >= 0:
            sums[place] += values[i]
            counts[place] += 1.0
            for j in range(3):
                centres[place, j] += points[i, j]
    for c in range(total):
        if counts[c] > 0.0:
            centres[c] /= counts[c]
    return sums, counts, centres


def _restricted_likelihood(blocks: list[_Block], lengths: Floats, white: float, form: float) -> Floats:
    """Variances (1 + k,), mm2, of the white noise and of waves of the given lengths."""
    terms = 1 + len(lengths)
    covers = np.zeros((terms, len(blocks), CELLS, CELLS))
    data = np.zeros((len(blocks), CELLS))
    fill = np.zeros((len(blocks), CELLS, CELLS))
    for b, block in enumerate(blocks):
        scale = np.linalg.norm(block.columns, axis=0)
        left, singular, _ = np.linalg.svd(block.columns / np.where(scale > 0.0, scale, 1.0))
        free = left[:, int(np.sum(singular > 1e-7 * singular[0])) :]
        g = free.shape[1]
        data[b, :g] = free.T @ block.values
        covers[0, b, :g, :g] = (free.T / block.counts) @ free
        for k, length in enumerate(lengths):
            covers[1 + k, b, :g, :g] = free.T @ cell_covariance(block.centres, length, block.cell) @ free
        fill[b, range(g, CELLS), range(g, CELLS)] = 1.0
    variances = np.full(terms, white / (2.0 * len(lengths)))
    variances[0] = white
    # Where the data say next to nothing (waves as long as the faces), an exponential prior holds the
    # variance of a wave to what was seen of all waves together.
    held = np.full(terms, PRIOR / form)
    held[0] = 0.0
    return _climb(covers, data, fill, variances, held, ITERATIONS)


@njit(cache=True, parallel=True, fastmath={"reassoc", "contract"})
def _climb(covers: Floats, data: Floats, fill: Floats, variances: Floats, held: Floats, iterations: int) -> Floats:
    """Multiplicative steps: each variance times y'S^-1 B S^-1 y / tr(S^-1 B), S being the sum of all B."""
    terms, blocks = covers.shape[:2]
    for _ in range(iterations):
        have, expect = np.zeros((blocks, terms)), np.zeros((blocks, terms))
        for b in prange(blocks):
            total = fill[b].copy()
            for t in range(terms):
                total += variances[t] * covers[t, b]
            inverse = np.linalg.inv(total)
            solved = inverse @ data[b]
            for t in range(terms):
                have[b, t], expect[b, t] = _seen_and_expected(covers[t, b], inverse, solved)
        for t in range(terms):
            variances[t] *= have[:, t].sum() / max(held[t] + expect[:, t].sum(), 1e-300)
    return variances


@njit(cache=True, fastmath={"reassoc", "contract"})
def _seen_and_expected(cover: Floats, inverse: Floats, solved: Floats) -> tuple[float, float]:
    """y'S^-1 B S^-1 y and tr(S^-1 B) of one block; cover is B, solved S^-1 y."""
    cells = len(solved)
    seen, expected = 0.0, 0.0
    for i in range(cells):
        for j in range(cells):
            seen += solved[i] * cover[i, j] * solved[j]
            expected += inverse[i, j] * cover[i, j]
    return seen, expected


def _merged(variances: Floats, lengths: Floats) -> Floats:
    """Neighbouring lengths as one wave each: (k, 2) sigma and length, mm; what is next to nothing is left out."""
    kept = variances > 0.003 * max(float(variances.sum()), 1e-300)
    waves = []
    for group in np.split(np.arange(len(lengths)), np.flatnonzero(~kept)):
        group = group[kept[group]]
        for pair in np.split(group, range(2, len(group), 2)):
            if len(pair):
                total = float(variances[pair].sum())
                middle = np.exp(np.sum(variances[pair] * np.log(lengths[pair])) / total)
                waves.append((np.sqrt(total), middle))
    return np.array(waves).reshape(-1, 2)
