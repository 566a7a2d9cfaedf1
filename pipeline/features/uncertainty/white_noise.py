"""White noise of a scan, from local fits: it needs nothing but the mesh."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Longs, Mask, Singles, eliminate, unit_rows
from pipeline.jit import njit
from pipeline.mesh.topology import vertex_normals

# float32 is what mesh files carry: coordinates are no better than this share of the largest of them.
FLOAT32_STEP = 2.0**-24
MIN_PATCH = 12
LARGEST_PATCH = 400
TERMS = 6  # of a quadric
_FEW_PATCHES = 2000
_CALM = 0.1  # rad
# A scan's noise is at most a few times as large over a patch as from facet to facet, however it was smoothed; more is
# shape. Of a body of nothing but edges a third of the pairs of facets is flat, so that a tenth of all surely is.
_SHAPE = 10.0
_FLAT_PAIRS = 0.1


def white_sigma(vertices: Floats, faces: Ints, samples: int = 6000, rings: int = 3) -> float:
    """Standard deviation, mm, of the noise from vertex to vertex along the surface normal.

    Quadrics are fitted to the vertices within `rings` edges of up to `samples` vertices; the residuals,
    corrected for the six degrees of freedom of a quadric, are pooled over the patches that agree with
    each other, which leaves out edges and tight curves. Waves much longer than the patches are not in it.
    A tessellation of exact geometry gives 0: it has flat pairs of facets, which no noisy scan has, or noise below
    what its coordinates resolve. Where edges are so close that every patch reaches over one, as on a scan of which few
    facets were left, what the flat pairs of facets show is taken.

    >>> from tests.features.faces import grid
    >>> vertices, faces, _ = grid(80, 0.5, lambda x, y: 0.0 * x)
    >>> rough = vertices + np.random.default_rng(1).normal(0.0, 0.01, (len(vertices), 1)) * [0.0, 0.0, 1.0]
    >>> round(white_sigma(rough, faces), 3)
    0.01
    """
    if len(faces) == 0 or len(vertices) < MIN_PATCH:
        return 0.0
    chosen = np.unique(np.random.default_rng(0).integers(0, len(vertices), samples))
    ring = np.zeros(len(vertices), dtype=np.uint8)
    ring[chosen] = 1
    for level in range(1, rings + 1):
        _grow_ring(faces, ring, level)
    near = faces[_facets_within(faces, ring)]
    heights, share = _heights(vertices, near[np.any(ring[near] == 1, axis=1)])
    step = 4.0 * FLOAT32_STEP * float(np.abs(vertices).max())
    if _is_exact(heights, step):
        return 0.0
    members = np.flatnonzero(ring)
    index = np.full(len(vertices), -1, dtype=np.int32)
    index[members] = np.arange(len(members), dtype=np.int32)
    points, near = np.ascontiguousarray(vertices[members]), index[near]
    start, neighbours = _links(near, len(members))
    normals = vertex_normals(points, near)
    squares, freedom = _patch_residuals(points, normals, start, neighbours, index[chosen].astype(np.int64), rings)
    sigma = _pooled_sigma(squares[freedom > 0], freedom[freedom > 0])
    flat = _sigma_of_flat_pairs(heights * share)
    if sigma > _SHAPE * flat:
        sigma = flat
    return sigma if sigma > step else 0.0


def short_range_sigma(
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

    >>> from pipeline.mesh.topology import vertex_ring
    >>> from tests.features.faces import grid
    >>> vertices, faces, normals = grid(60, 0.5, lambda x, y: 0.0 * x)
    >>> turn = np.zeros(len(vertices), np.float32)
    >>> short_range_sigma(vertices, normals, turn, *vertex_ring(faces, len(vertices)))
    0.0
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
    """How far, mm, a coordinate may be off by the rounding of the file: decimals if it has few, else float32.

    >>> resolution(np.array([[0.0, 100.0, 12.5]]))
    0.05
    """
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


def _heights(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    """How far, mm, of two neighbouring facets the one's far corner lies off the other's plane, and what share of that
    one corner's noise is, by where it lies to the other three. Both (pairs,); empty where no facets are neighbours.
    """
    edges = np.concatenate([faces[:, (k, (k + 1) % 3, (k + 2) % 3)] for k in range(3)]).astype(np.int64)
    key = edges[:, :2].min(axis=1) * len(vertices) + edges[:, :2].max(axis=1)
    order = np.argsort(key, kind="stable")
    twins = np.flatnonzero(key[order][1:] == key[order][:-1])
    a, b, c = np.moveaxis(vertices[edges[order[twins]]], 1, 0)
    d = vertices[edges[order[twins + 1], 2]] - a
    normal = unit_rows(np.cross(b - a, c - a), 1e-300)
    height = np.abs(np.einsum("ij,ij->i", normal, d))
    # The far corner's foot, in shares of the three corners that span the plane.
    along, across = b - a, np.cross(normal, b - a)
    y = np.einsum("ij,ij->i", d, across) / np.maximum(np.einsum("ij,ij->i", c - a, across), 1e-300)
    x = np.einsum("ij,ij->i", d - y[:, None] * (c - a), along) / np.maximum(np.sum(along**2, axis=1), 1e-300)
    return height, 1.0 / np.sqrt(1.0 + x**2 + y**2 + (1.0 - x - y) ** 2)


def _is_exact(heights: Floats, step: float) -> bool:
    """True when many neighbouring facets lie in one plane to the last bit of a float32.

    Noise spreads the heights of facets over their neighbours' planes evenly near zero; exact geometry
    heaps them up there.
    """
    if len(heights) == 0:
        return False
    flat = np.mean(heights <= step)
    return bool(flat > 0.04 and flat > 0.5 * np.mean(heights <= 16 * step))


def _sigma_of_flat_pairs(scatter: Floats) -> float:
    """Standard deviation, mm, of the core of a distribution of absolute values (n,), mm, by clipping at three of it.

    The pairs across edges lie far out. A normal distribution cut off at 3 sigma keeps 0.9866 of its deviation.

    >>> flat, edges = np.random.default_rng(1).normal(0.0, 0.01, 4000), np.linspace(1.0, 9.0, 8000)
    >>> round(_sigma_of_flat_pairs(np.abs(np.concatenate([flat, edges]))), 3)
    0.01
    """
    if len(scatter) == 0:
        return 0.0
    sigma = 4.0 * float(np.quantile(scatter, _FLAT_PAIRS))
    for _ in range(30):
        core = scatter[scatter <= 3.0 * sigma]
        if len(core) == 0:
            break
        clipped = float(np.sqrt(np.mean(core**2))) / 0.9866
        if abs(clipped - sigma) <= 1e-6 * sigma:
            break
        sigma = clipped
    return sigma


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
