"""Fair skin over a gap's plane: as stiff, and as much stiffer along the grain, as foretells what was measured."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.features.gaps.layout import Flatten, Surroundings
from pipeline.geometry import Floats, Ints
from pipeline.mesh.fill import Spline, cell_means, fit_spline, sum_at

_CELLS = 150
# Order of the spline, smoothing, and how much stiffer it is along the grain than across.
_STIFFNESS = (
    (3, 1e-7, 1.0),
    (3, 1e-7, 2.0),
    (3, 1e-5, 1.0),
    (2, 1e-5, 4.0),
    (2, 1e-5, 2.0),
    (2, 1e-5, 1.0),
)


def fair_height(
    near: Ints,
    ring: Ints,
    ground: Surroundings,
    flatten: Flatten,
    direction: Floats,
    origin: Floats,
    tries: tuple[tuple[int, float, float], ...] = _STIFFNESS,
) -> Callable[[Floats], Floats]:
    """Height over the plane of a smooth surface through the surroundings of a gap.

    How stiff it is, and how much stiffer along the ridge or fillet that runs through the gap than across,
    is tried out on what was measured: the two rings next to the gap are left out, and the better a surface
    from the other rings foretells them, the more it counts.
    """
    band = ground.band
    seen = band.normals[near] @ direction > 0.25
    if np.count_nonzero(seen) >= 12:
        near, ring = near[seen], ring[seen]
    places = flatten(band.points[near])
    heights = ((band.points[near] - origin) @ direction)[:, None]
    axes = _grain(places, band.normals[near], ring, flatten, direction, origin)
    inner = ring <= 2
    if len(tries) > 1 and (np.count_nonzero(~inner) < 40 or not inner.any()):
        tries = tries[-1:]
    planes = {ratio: _stretched(axes, ratio) for _, _, ratio in tries}
    trust = np.ones(len(tries))
    if len(tries) > 1:
        at, mean, counts = cell_means(places[inner], heights[inner], 1.5 * _spacing(places))
        beyond = {ratio: _cells(places[~inner] @ plane, heights[~inner], 90) for ratio, plane in planes.items()}
        for number, (order, smoothing, ratio) in enumerate(tries):
            spline = _spline(beyond[ratio], order, smoothing)
            off = np.average((spline.at(at @ planes[ratio]) - mean)[:, 0] ** 2, weights=counts)
            trust[number] = 1.0 / max(float(off), 1e-18) ** 2
    trust /= trust.max()
    trust[trust < 0.05] = 0.0
    shares = trust / trust.sum()
    worth = {ratio for share, (_, _, ratio) in zip(shares, tries, strict=True) if share > 0.0}
    cells = {ratio: _cells(places @ planes[ratio], heights, _CELLS) for ratio in worth}
    fitted: dict[float, list[tuple[Spline, float]]] = {}
    for share, (order, smoothing, ratio) in zip(shares, tries, strict=True):
        if share > 0.0:
            spline = _spline(cells[ratio], order, smoothing)
            fitted.setdefault(ratio, []).append((spline, float(share)))

    def height(where: Floats) -> Floats:
        out = np.zeros(len(where))
        for ratio, members in fitted.items():
            splines, parts = [spline for spline, _ in members], [share for _, share in members]
            out += sum_at(splines, parts, where @ planes[ratio])[:, 0]
        return out

    return height


def _stretched(axes: Floats, ratio: float) -> Floats:
    """(2, 2) to the right of places: along the grain, shortened by the ratio, and across it."""
    return (axes * np.array([[1.0 / ratio], [1.0]])).T


def _grain(places: Floats, normals: Floats, ring: Ints, flatten: Flatten, direction: Floats, origin: Floats) -> Floats:
    """(2, 2) unit rows in the plane: the way along which the normals change least, and the way across."""
    tips = flatten(origin + normals) / np.maximum(normals @ direction, 0.25)[:, None]
    weight = np.exp(-ring / 3.0)
    tips = tips - np.average(tips, axis=0, weights=weight)
    _, ways = np.linalg.eigh((tips * weight[:, None]).T @ tips)
    return ways.T


def _cells(places: Floats, heights: Floats, cells: int) -> tuple[Floats, Floats, Floats]:
    """Means in about so many square cells, as `cell_means` gives them."""
    size = 0.6 * np.sqrt(max(float(np.prod(np.ptp(places, axis=0))), 1e-12) / cells)
    centres, means, counts = cell_means(places, heights, size)
    while len(centres) > 1.3 * cells:
        size *= 1.2
        centres, means, counts = cell_means(places, heights, size)
    return centres, means, counts


def _spline(means: tuple[Floats, Floats, Floats], order: int, smoothing: float) -> Spline:
    centres, values, counts = means
    return fit_spline(centres, values, counts, order if len(centres) >= 12 else 2, smoothing)


def _spacing(places: Floats) -> float:
    return float(np.sqrt(max(np.prod(np.ptp(places, axis=0)), 1e-12) / len(places)))
