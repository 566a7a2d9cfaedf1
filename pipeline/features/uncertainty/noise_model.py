"""The scan's noise, white and correlated, learnt from its largest faces by restricted maximum likelihood.

It needs faces already fitted: what their residuals have in common over distance is the noise that every other fit on
the same scan suffers from, and a small feature can't see it from within.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty.correlated_noise import cell_covariance
from pipeline.features.uncertainty.white_noise import resolution
from pipeline.geometry import Floats, basis_of, cross, scaled_mad
from pipeline.jit import njit, prange
from pipeline.lengths import mm
from pipeline.surfaces import Shape, jacobian, kind_of, signed_distance
from pipeline.values import NoiseModel


class FittedFace(NamedTuple):
    """A large face to learn from: its fitted shape and the points (n, 3) that carry it."""

    shape: Shape
    points: Floats


class _Block(NamedTuple):
    """Means of residuals in up to CELLS cells: mm; places (g, 3), mm, and variances (g, 3), mm2, of the points in each,
    in axes of the block; points a cell; fit columns."""

    values: Floats
    centres: Floats
    spreads: Floats
    counts: Floats
    columns: Floats


ACROSS = 7
CELLS = 49
BLOCKS_A_SCALE = 10
FINEST_BLOCKS = 3
LENGTH_STEP = 1.6
MAX_FACES = 10
MIN_POINTS = 100
LONGEST = 0.3
PRIOR = 2.0
ITERATIONS = 25
FEWEST = 4.0  # independent patches of a component, at least


def learn_noise(faces: Sequence[FittedFace], white: float, edge: float) -> NoiseModel | None:
    """The scan's noise, white and correlated, from the residuals of its large faces.

    `white` (mm) is the estimate of `white_sigma`, `edge` the usual distance of neighbouring vertices, mm.
    Variances of white noise and of components of Gaussian covariance, their lengths a geometric series from the
    edge to a quarter of the faces' size, are found together by restricted maximum likelihood (Patterson and Thompson
    1971) on cell means over windows of several sizes: "restricted" accounts for what the fits took out of
    the residuals. The steps multiply, so that variances stay positive. A component's variance has as many degrees
    of freedom as independent patches of it, 2 pi length^2 each, fit on the faces. Returns None when no face has enough
    points.

    >>> from tests.features.faces import grid
    >>> vertices, _, _ = grid(80, 0.5, lambda x, y: 0.0 * x)
    >>> rough = vertices + np.random.default_rng(1).normal(0.0, 0.01, (len(vertices), 1)) * [0.0, 0.0, 1.0]
    >>> flat = Shape('plane', np.zeros(3), np.array([0.0, 0.0, 1.0]))
    >>> round(learn_noise([FittedFace(flat, rough)], 0.01, 0.5).sigma_white, 3)
    0.01
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
        # White noise is told from the shortest components by many small windows.
        count = BLOCKS_A_SCALE * (FINEST_BLOCKS if width <= 12.0 * edge else 1)
        blocks += _windows(large, residuals, sizes, width, count, rng)
        width /= 3.0
    count = max(2, int(np.log(LONGEST * max(sizes) / (1.5 * edge)) / np.log(LENGTH_STEP)) + 1)
    lengths = 1.5 * edge * LENGTH_STEP ** np.arange(count, dtype=np.float64)
    variances = _restricted_likelihood(blocks, lengths, white**2, max(form, white) ** 2)
    area = 0.87 * edge**2 * sum(len(face.points) for face in large)
    components = _merged(variances[1:], lengths)
    freedom = np.append(np.inf, np.maximum(FEWEST, area / (2.0 * np.pi * components[:, 1] ** 2)))
    sigma_white = float(np.sqrt(variances[0]))
    method = (
        f"restricted maximum likelihood on {len(large)} faces up to {mm(max(sizes), '.0f')}; "
        "waves longer than that can't be seen"
    )
    return NoiseModel(sigma_white, form, np.vstack([[sigma_white, 0.0], components]), method, freedom)


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
        sums, counts, places, spreads = _cell_sums(faces[i].points, residuals[i], axes, centre, cell, ACROSS)
        full = np.flatnonzero(counts > 0)
        if len(full) > CELLS:
            full = np.sort(rng.choice(full, CELLS, replace=False))
        if len(full) < 20:
            continue
        columns = jacobian(shape, centre + places[full] @ axes, basis)
        # A narrow face fills its cells in part, and the mean over less of a cell holds more of the short waves.
        blocks.append(_Block(sums[full] / counts[full], places[full], spreads[full], counts[full], columns))
    return blocks


@njit(cache=True)
def _cell_sums(
    points: Floats, values: Floats, axes: Floats, centre: Floats, cell: float, across: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Sums of values, their number, and mean places and variances of these in a cube of across^3 cells about a centre;
    in its axes."""
    total = across * across * across
    sums, counts, centres, squares = np.zeros(total), np.zeros(total), np.zeros((total, 3)), np.zeros((total, 3))
    half = 0.5 * across
    along = np.empty(3)
    for i in range(points.shape[0]):
        if np.isnan(values[i]):
            continue
        place = 0
        for k in range(3):
            along[k] = 0.0
            for j in range(3):
                along[k] += axes[k, j] * (points[i, j] - centre[j])
            step = int(np.floor(along[k] / cell + half))
            if step < 0 or step >= across:
                place = -1
                break
            place = place * across + step
        if place >= 0:
            sums[place] += values[i]
            counts[place] += 1.0
            for k in range(3):
                centres[place, k] += along[k]
                squares[place, k] += along[k] ** 2
    for c in range(total):
        if counts[c] > 0.0:
            for k in range(3):
                centres[c, k] /= counts[c]
                squares[c, k] = max(squares[c, k] / counts[c] - centres[c, k] ** 2, 0.0)
    return sums, counts, centres, squares


def _restricted_likelihood(blocks: list[_Block], lengths: Floats, white: float, form: float) -> Floats:
    """Variances (1 + k,), mm2, of the white noise and of components of the given correlation lengths."""
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
            covers[1 + k, b, :g, :g] = free.T @ cell_covariance(block.centres, length, block.spreads) @ free
        fill[b, range(g, CELLS), range(g, CELLS)] = 1.0
    variances = np.full(terms, white / (2.0 * len(lengths)))
    variances[0] = white
    # Where the data say next to nothing (lengths as long as the faces), an exponential prior holds the variance of a
    # component to what was seen of all of them together.
    held = np.full(terms, PRIOR / form)
    held[0] = 0.0
    return _raise_likelihood(covers, data, fill, variances, held, ITERATIONS)


@njit(cache=True, parallel=True, fastmath={"reassoc", "contract"})
def _raise_likelihood(
    covers: Floats, data: Floats, fill: Floats, variances: Floats, held: Floats, iterations: int
) -> Floats:
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
    """Neighbouring lengths as one component each: (k, 2) sigma and length, mm; what is next to nothing is left out."""
    kept = variances > 0.003 * max(float(variances.sum()), 1e-300)
    components = []
    for group in np.split(np.arange(len(lengths)), np.flatnonzero(~kept)):
        group = group[kept[group]]
        for pair in np.split(group, range(2, len(group), 2)):
            if len(pair):
                total = float(variances[pair].sum())
                middle = np.exp(np.sum(variances[pair] * np.log(lengths[pair])) / total)
                components.append((np.sqrt(total), middle))
    return np.array(components).reshape(-1, 2)
