"""Whether a face's form stands out of the scan's noise: the chance that noise alone leaves such residuals.

Means of the residuals over some dozens of cells follow the form and leave the white noise behind; what waves do to
them, and how much of all that the fit took up, is known from the scan's noise model. What is left is held against
nothing by the test of `significance`: chi-squared of as many degrees of freedom as cells less parameters (the lack
of fit of a least-squares fit whose input has a known covariance: JCGM 100:2008, 5.2, and Draper and Smith, Applied
Regression Analysis, 3rd ed. 1998, 2.1, from memory), the variance of long waves counted with all that it may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from pipeline.features.uncertainty.correlated_noise import cell_covariance
from pipeline.features.uncertainty.noise_model import FEWEST, MAX_FACES, MIN_POINTS, FittedFace, learn_noise
from pipeline.features.uncertainty.significance import Spread, chance_in_spread
from pipeline.geometry import Floats, Longs, basis_of, cross, scaled_mad
from pipeline.surfaces import Shape, jacobian, signed_distance
from pipeline.values import NoiseModel

# Form is broader than a seventh of its face; 200 cells, and each of them with some points, tell all of that.
ACROSS = 7
MOST_CELLS = 200
SPIKES = 6.0
FEW = 8
STANDS_OUT = 3.0
FULL = 0.5


class FormSeen(NamedTuple):
    """What of a face's form comes through its noise.

    chance   how often noise alone leaves residuals as uneven as these
    of_means  mm, peak to valley of their means over cells a seventh of the face wide; noise_of_means that of noise
              alone
    """

    chance: float
    of_means: float
    noise_of_means: float


def form_seen(shape: Shape, points: Floats, noise: NoiseModel | None) -> FormSeen | None:
    """Whether points (n, 3), mm, lie off the fitted `shape` by more than noise, and how far without it.

    None without a noise model, or where the points are too few to tell.

    >>> from tests.features.faces import grid
    >>> vertices, _, _ = grid(60, 1.0, lambda x, y: 2e-5 * (x - 30.0) ** 2)  # bowed by 18 um
    >>> noisy = vertices + np.random.default_rng(1).normal(0.0, 0.01, (len(vertices), 1)) * [0.0, 0.0, 1.0]
    >>> flat = Shape('plane', noisy.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    >>> white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), 'white noise alone')
    >>> seen = form_seen(flat, noisy, white)
    >>> seen.chance < 0.001, round(seen.of_means, 3), round(seen.noise_of_means, 3)
    (True, 0.014, 0.005)
    """
    if noise is None or noise.sigma_white <= 0.0 or len(points) < FEW:
        return None
    values, places, spreads, counts, free = _cells(shape, *_without_spikes(FittedFace(shape, points)))
    if free.shape[1] == 0:
        return None
    freedom = np.full(len(noise.components), np.inf) if noise.freedom is None else noise.freedom
    known = noise.sigma_white**2 * (free.T / counts) @ free
    doubtful = np.zeros_like(known)
    by_freedom = np.zeros_like(known)
    for (sigma, length), degrees in zip(noise.components, freedom, strict=True):
        if length <= 0.0 or sigma <= 0.0:
            continue
        part = sigma**2 * (free.T @ cell_covariance(places, length, spreads) @ free)
        if np.isfinite(degrees):
            doubtful += part
            by_freedom += part / degrees
        else:
            known += part
    left = free.T @ values
    # A cell at the rim with a point or two would show their noise.
    full = counts >= FULL * np.median(counts)
    spread = np.einsum("ij,jk,ik->i", free[full], known + doubtful, free[full])
    return FormSeen(
        chance_in_spread(left, Spread(known, doubtful, by_freedom)),
        float(np.ptp(free[full] @ left)),
        range_of_noise(float(np.sqrt(spread.mean())), int(full.sum())),
    )


def range_of_noise(rms: float, count: int) -> float:
    """Expected peak to valley, mm, of so many values of that rms, taken as independent: Blom 1958.

    White noise makes residuals nearly so, and waves alone would reach less far.

    >>> round(range_of_noise(0.01, 1000), 3)
    0.065
    """
    return 2.0 * rms * float(ndtri((count - 0.375) / (count + 0.25))) if count > 1 else 0.0


def noise_without_form(
    faces: Sequence[FittedFace], model: NoiseModel | None, white: float, edge: float
) -> NoiseModel | None:
    """The scan's noise to judge form by: learnt without the faces that stand out, and sure of what it has seen.

    A bow of a large face passes for a long wave of the noise in `model`, learnt from `faces`. So those whose variance
    beyond the white noise, `white` mm, is more than STANDS_OUT times the usual one are left out, which the others don't
    bear out. The degrees of freedom of a component are those of its sum of squares on the faces: of each face as many
    as waves of that length can do to it beyond what its fit takes up (Satterthwaite 1946).

    >>> noise_without_form((), None, 0.01, 0.5) is None
    True
    """
    if model is None:
        return None
    beyond = np.array([max(float(np.mean(_without_spikes(face)[1] ** 2)) - white**2, 0.0) for face in faces])
    large = np.array([len(face.points) >= MIN_POINTS for face in faces], dtype=bool)
    if not large.any():
        return model
    calm = [face for face, b in zip(faces, beyond, strict=True) if b <= STANDS_OUT * np.median(beyond[large])]
    learnt = model if len(calm) == len(faces) else learn_noise(calm, white, edge)
    if learnt is None or learnt.freedom is None:
        return learnt
    freedom = np.array([np.inf if length <= 0.0 else 0.0 for _, length in learnt.components])
    for face in sorted(calm, key=lambda face: -len(face.points))[:MAX_FACES]:
        cells = _cells(face.shape, *_without_spikes(face))
        for k, (_, length) in enumerate(learnt.components):
            if length > 0.0 and cells.free.shape[1]:
                cover = cells.free.T @ cell_covariance(cells.places, length, cells.spreads) @ cells.free
                freedom[k] += np.trace(cover) ** 2 / max(float(np.sum(cover**2)), 1e-300)
    return replace(learnt, freedom=np.maximum(freedom, FEWEST))


def _without_spikes(face: FittedFace) -> tuple[Floats, Floats]:
    """Points (n, 3) of a face and their residuals (n,), spikes left out."""
    residuals = signed_distance(face.shape, face.points)
    good = np.abs(residuals - np.median(residuals)) <= SPIKES * scaled_mad(residuals) + 1e-12
    return face.points[good], residuals[good]


class _Cells(NamedTuple):
    """Means over cells of a face's residuals: mm, places (g, 3) and spreads (g, 3) mm2 of their points in the face's
    own axes, how many (g,), and (g, q) the combinations of them that the fit leaves free."""

    values: Floats
    places: Floats
    spreads: Floats
    counts: Floats
    free: Floats


def _cells(shape: Shape, points: Floats, residuals: Floats) -> _Cells:
    basis = basis_of(shape.direction)
    axes = np.array([*basis, cross(basis[0], basis[1])])
    middle = points.mean(axis=0)
    local = (points - middle) @ axes.T
    own = _numbers(local)
    counts = np.bincount(own).astype(float)
    places = _averaged(local, own, counts)
    spreads = np.maximum(_averaged(local**2, own, counts) - places**2, 0.0)
    columns = jacobian(shape, middle + places @ axes, basis)
    scale = np.linalg.norm(columns, axis=0)
    left, singular, _ = np.linalg.svd(columns / np.where(scale > 0.0, scale, 1.0), full_matrices=True)
    free = left[:, int(np.sum(singular > 1e-7 * singular[0])) :]
    return _Cells(np.bincount(own, residuals) / counts, places, spreads, counts, free)


def _averaged(values: Floats, own: Longs, counts: Floats) -> Floats:
    """(g, 3) means over the cells of values (n, 3)."""
    return np.stack([np.bincount(own, values[:, k]) for k in range(3)], axis=1) / counts[:, None]


def _numbers(local: Floats) -> Longs:
    """(n,) the cell of each point: a seventh of the widest side, more where that made too many."""
    low, high = local.min(axis=0), local.max(axis=0)
    cell = float((high - low).max()) / ACROSS * (1.0 + 1e-9)
    while True:
        place = np.zeros(len(local), dtype=np.int64)
        for k in range(3):
            place = place * ACROSS + ((local[:, k] - low[k]) / cell).astype(np.int64)
        taken = np.bincount(place) > 0
        if np.count_nonzero(taken) <= MOST_CELLS:
            return (np.cumsum(taken) - 1)[place]
        cell *= 1.15
