"""Standard uncertainty of a fitted shape from the scan's correlated noise.

With J the derivatives of the distances by the shape's parameters and W the weights of the fit, its
parameters are -(J'WJ)^-1 J'W e for residual noise e, so that their covariance is
(J'WJ)^-1 J'W C W J (J'WJ)^-1 with C the noise's own covariance: the law of propagation of JCGM 100:2008
(GUM) 5.2, for correlated input. C comes from the noise model of the whole scan, because no face can see
waves longer than itself. What a face's residuals show beyond that model is form, and is carried as waves
as long as a third of the face. A long wave was seen a few times only, and its size is uncertain itself: what
rests on such is widened by Student's t (JCGM 100:2008, G.3 and G.4).

How to make intervals of it: a parameter +- 1.96 u holds it 95 times in 100; a position across an axis and
a direction are pairs and lie within 2.45 u (the circle that the larger principal value spans, so never too
small) or, better, within the ellipse x' V^-1 x = 5.99 of their block V of the covariance; a centre is a
triple, 2.80 u or 7.81.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri, stdtrit

from pipeline.features.uncertainty.correlated_noise import gathered, propagated
from pipeline.geometry import Floats, Mask, basis_of, cross
from pipeline.lengths import mm, um
from pipeline.surfaces import KINDS, Shape, jacobian, kind_of, signed_distance
from pipeline.values import Carried, NoiseModel, Uncertainty

# Beyond these the linear propagation is no longer true.
MAX_TURN = 0.1
MAX_RADIUS_SHARE = 0.2
EXCESS = 1.15
CELLS_ACROSS = 16  # of a feature, for what it shares with others: waves are long against it
SHORT_ARC = np.radians(120.0)

METHOD = (
    "propagation of the scan's own white and correlated noise through the fit; k = 1, 95 % lie within 1.96 times "
    "it (position of an axis and directions: 2.45 times, centres: 2.80 times)"
)


class Held(NamedTuple):
    """What a fit was held to: local parameters on `basis` (2, 3), in words.

    covariance (m, m), mm and rad, of the values they were held at; None where that isn't known.
    """

    names: tuple[str, ...]
    covariance: Floats | None
    basis: Floats
    words: str


class Seen(NamedTuple):
    """Of the fit's points: places (n, 3) in (u, v, direction) axes from the shape's point, and box size."""

    places: Floats
    size: Floats


def assess(
    shape: Shape,
    points: Floats,
    weights: Floats | None,
    noise: NoiseModel | None,
    *,
    arc: float | None = None,
) -> Uncertainty:
    """Standard uncertainty (k = 1) of `shape` as fitted to `points` (n, 3) with `weights` (n,) of the fit.

    `weights` None means all equal; points of weight 0 are taken as left out. `arc` (rad) of the circle that
    was seen, for the note. Position and covariance refer to `shape.point`: give the shape with its point
    where it will be reported. Without a noise model, or where the points don't determine the shape, the
    figures are None and `method` says why.
    """
    return weighed(shape, points, weights, noise, arc=arc)[0]


def weighed(
    shape: Shape,
    points: Floats,
    weights: Floats | None,
    noise: NoiseModel | None,
    *,
    arc: float | None = None,
    held: Held | None = None,
) -> tuple[Uncertainty, float | None]:
    """What `assess` gives, and the rms (mm) that the noise alone leaves in the residuals, None where unknown.

    `held` tells of a fit under constraints; a radius that was given has no uncertainty.

    >>> corners = np.array([[x, y, 0.0] for x in range(40) for y in range(40)], dtype=float)
    >>> white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), 'white noise alone')
    >>> flat = Shape('plane', corners.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    >>> round(weighed(flat, corners, None, white)[0].position, 6)
    0.00025
    """
    if noise is None:
        return _unknown("not vouched for: the scan shows no face large enough to learn its noise from"), None
    kind = KINDS[shape.kind]
    basis = basis_of(shape.direction) if held is None else held.basis
    free = np.array([held is None or name not in held.names for name in kind.parameters])
    weights = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=float)
    used = weights > 0.0
    points, weights = np.ascontiguousarray(points[used], dtype=float), weights[used]
    if len(points) < 3 * len(kind.parameters):
        return _unknown(f"not vouched for: only {len(points)} points carry it"), None
    rows = jacobian(shape, points, basis)
    weighted = rows * weights[:, None]
    normal = (rows.T @ weighted)[np.ix_(free, free)]
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0.0) or np.linalg.cond(normal / np.outer(scale, scale)) > 1e12:
        return _unknown("not vouched for: the points don't determine the shape"), None
    cofactor = np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
    gains = np.zeros_like(weighted)
    gains[:, free] = weighted[:, free] @ cofactor
    seen = seen_of(shape, points, basis)
    finest = finest_of(shape, seen)
    parts, freedom, left_over = _of_noise(noise, rows, gains, seen, finest)
    method = METHOD
    form = form_beyond(signed_distance(shape, points), weights, left_over)
    if form:
        method += f", and {um(form)} of form that it doesn't explain"
    covariance = completed(parts, freedom, form, gains, seen, finest, points)
    if held is not None:
        method += f"; the fit was held {held.words}"
        of_held = _of_held(held, kind.parameters, free, gains, rows)
        if of_held is None:
            return _unknown(f"not vouched for: the fit was held {held.words}, whose uncertainty isn't known"), None
        covariance += of_held
        parts[0] += of_held

    method += _note_on_arc(arc, kind.parameters, covariance)
    carried = _carried(shape, basis, seen, gains, noise)
    known = summary(shape, kind.parameters, covariance, basis, method)
    known = replace(known, parts=parts, freedom=freedom, carried=carried)
    if held is not None and "r" in held.names:
        known = replace(known, radius=None)
    return known, float(np.sqrt(left_over))


def form_beyond(residuals: Floats, weights: Floats, left_over: float) -> float:
    """mm rms of residuals (n,) that noise, which leaves the variance `left_over` in them, doesn't explain; 0 where it
    does."""
    variance = float(np.sum(weights * residuals**2) / np.sum(weights))
    return float(np.sqrt(variance - left_over)) if variance > EXCESS**2 * left_over else 0.0


def completed(
    parts: Floats, freedom: Floats, form: float, gains: Floats, seen: Seen, finest: Floats, points: Floats
) -> Floats:
    """The covariance (p, p) of noise's parts (k, p, p) with their degrees of freedom, once the first part has taken up
    what form does to the fit and what the coordinates' last bit does."""
    if form:
        length = max(float(np.sort(seen.size)[1]) / 3.0, 1e-9)
        parts[0] += propagated(gains, seen.places, [(form, length)], finest)[0]
    # Coordinates come as float32: no figure is better than their last bit.
    resolution = 2.0**-25 * float(np.abs(points).max())
    parts[0] += resolution**2 * (gains.T @ gains)
    return widened(parts, freedom)


def widened(parts: Floats, freedom: Floats) -> Floats:
    """The covariance (p, p) that parts (k, p, p) with their degrees of freedom (k,) come to, widened by Student's t."""
    covariance = np.asarray(parts.sum(axis=0))
    more = student_widening(np.diag(covariance), np.diagonal(parts, axis1=1, axis2=2), freedom)
    return covariance * np.outer(more, more)


def _carried(shape: Shape, basis: Floats, seen: Seen, gains: Floats, noise: NoiseModel) -> Carried:
    width = max(float(np.ptp(seen.places, axis=0).max()) / CELLS_ACROSS, 1e-6)
    centres, sums = gathered(gains, seen.places, width)
    along = cross(basis[0], basis[1]) if shape.direction is None else shape.direction
    places = centres @ np.array([basis[0], basis[1], along]) + shape.point
    return Carried(width, places, sums, np.array(components_of(noise)[0]).reshape(-1, 2))


def _note_on_arc(arc: float | None, names: tuple[str, ...], covariance: Floats) -> str:
    """What a short arc does to radius and position, in words; nothing for a long one."""
    if arc is None or arc >= SHORT_ARC:
        return ""
    note = f"; only {np.degrees(arc):.0f} degrees of arc seen"
    tie = _tie(names, covariance)
    return note if tie is None else f"{note}, radius and position are one pair (correlation {tie:.2f})"


def _of_noise(
    noise: NoiseModel, rows: Floats, gains: Floats, seen: Seen, finest: Floats
) -> tuple[Floats, Floats, float]:
    """Parts (c, k, k) of the covariance that the noise leaves in the parameters, the white noise's first; the degrees
    of freedom (c,) of each; and the mean square, mm2, that the noise leaves in the residuals.

    rows, gains  (n, k) derivatives of the distances by the parameters, and of the parameters by the distances
    """
    count, parameters = rows.shape
    # What the noise leaves in the residuals is what it holds less what the fit takes up.
    left_over = noise.sigma_white**2 * (1.0 - parameters / count)
    mean_square = rows.T @ rows / count
    components, freedom = components_of(noise)
    parts = propagated(gains, seen.places, components, finest)
    for (sigma, _), part in zip(components, parts, strict=True):
        left_over += max(0.0, sigma**2 - float(np.sum(mean_square * part)))
    white = noise.sigma_white**2 * (gains.T @ gains)
    return np.array([white, *parts]), np.array([np.inf, *freedom]), left_over


def _of_held(held: Held, parameters: tuple[str, ...], free: Mask, gains: Floats, rows: Floats) -> Floats | None:
    """Covariance (k, k) from what the fit was held to: that is off as well, and the free parameters make up for it.

    None where that isn't known.
    """
    if held.covariance is None:
        return None
    index = [parameters.index(name) for name in held.names]
    lever = np.zeros((len(free), len(index)))
    lever[index, range(len(index))] = 1.0
    lever[free] = -gains[:, free].T @ rows[:, index]
    return lever @ held.covariance @ lever.T


def summary(shape: Shape, names: tuple[str, ...], covariance: Floats, basis: Floats, method: str) -> Uncertainty:
    """The three headline figures out of a covariance (k, k) of the parameters `names`."""
    position = _largest(names, covariance, kind_of(shape).shifts)
    direction = _largest(names, covariance, ("a", "b")) if "a" in names else None
    radius = _largest(names, covariance, ("r",)) if "r" in names else None
    if direction is not None and direction > MAX_TURN:
        return _unknown(f"not vouched for: the direction is open by {np.degrees(direction):.0f} degrees")
    if radius is not None and shape.radius is not None and radius > MAX_RADIUS_SHARE * shape.radius:
        return _unknown(f"not vouched for: the radius is open by {mm(radius, '.2g')}")
    return Uncertainty(position, direction, radius, method, names, covariance, basis)


def block(uncertainty: Uncertainty, wanted: tuple[str, ...]) -> Floats | None:
    """The covariance (m, m) of some of the local parameters; None where it isn't known.

    >>> from pipeline.values import Uncertainty
    >>> known = Uncertainty(0.01, 1e-4, None, 'example', ('w', 'a', 'b'), np.diag([1e-4, 1e-8, 4e-8]))
    >>> block(known, ('a', 'b')).tolist()
    [[1e-08, 0.0], [0.0, 4e-08]]
    """
    if uncertainty.covariance is None or any(name not in uncertainty.names for name in wanted):
        return None
    index = [uncertainty.names.index(name) for name in wanted]
    return uncertainty.covariance[np.ix_(index, index)]


def _unknown(reason: str) -> Uncertainty:
    return Uncertainty(None, None, None, reason)


def _largest(names: tuple[str, ...], covariance: Floats, wanted: tuple[str, ...]) -> float:
    index = [names.index(name) for name in wanted]
    return float(np.sqrt(max(np.linalg.eigvalsh(covariance[np.ix_(index, index)])[-1], 0.0)))


def _tie(names: tuple[str, ...], covariance: Floats) -> float | None:
    """Multiple correlation of the radius with the position across the axis."""
    if "r" not in names or "u" not in names:
        return None
    r, pair = names.index("r"), [names.index("u"), names.index("v")]
    cross = covariance[r, pair]
    explained = cross @ np.linalg.lstsq(covariance[np.ix_(pair, pair)], cross, rcond=None)[0]
    return float(np.sqrt(np.clip(explained / covariance[r, r], 0.0, 1.0)))


def components_of(noise: NoiseModel) -> tuple[list[tuple[float, float]], Floats]:
    """(sigma, correlation length), mm, of the correlated components, and the degrees of freedom of each."""
    there = (noise.components[:, 1] > 0.0) & (noise.components[:, 0] > 0.0)
    freedom = np.full(len(there), np.inf) if noise.freedom is None else noise.freedom
    return [(float(s), float(length)) for s, length in noise.components[there]], freedom[there]


def student_widening(variance: Floats, parts: Floats, freedom: Floats) -> Floats:
    """(k,) by how much Student's t exceeds the normal, at 95 %, for variances (k,) made of parts (c, k) that were seen
    with (c,) degrees of freedom.

    Welch and Satterthwaite's effective degrees of freedom are the variance's square over the sum of the parts' squares
    over theirs (JCGM 100:2008, G.4).
    """
    doubt = np.sum(parts**2 / freedom[:, None], axis=0)
    effective = np.divide(variance**2, doubt, out=np.full(len(variance), np.inf), where=doubt > 0.0)
    return _beyond_normal(effective)


def _beyond_normal(freedom: Floats) -> Floats:
    """(k,) by how much Student's t of as many degrees of freedom (k,) exceeds the normal, at 95 %."""
    return np.asarray(stdtrit(np.minimum(freedom, 1e9), 0.975) / ndtri(0.975))


def seen_of(shape: Shape, points: Floats, basis: Floats) -> Seen:
    along = cross(basis[0], basis[1]) if shape.direction is None else shape.direction
    places = (points - shape.point) @ np.array([basis[0], basis[1], along]).T
    # The 1st and 99th percentiles leave out stray points without a pass for robustness.
    some = places[:: max(1, len(places) // 4000)]
    low, high = np.quantile(some, (0.01, 0.99), axis=0)
    return Seen(np.ascontiguousarray(places), high - low)


def finest_of(shape: Shape, seen: Seen) -> Floats:
    """Width of cell a direction that follows how a shape's parameters depend on the places."""
    kind = kind_of(shape)
    if kind.flat:
        return np.array([*np.maximum(seen.size[:2] / 10.0, 1e-6), 1e9])
    size = np.maximum(seen.size, 1e-6)
    round_width = (shape.radius or float(size[0])) / 4.0
    if kind.spherical:
        return np.minimum(size / 6.0, round_width)
    if kind.centred:
        return np.full(3, round_width)
    # Along the axis little changes, and that slowly.
    widest = np.minimum(size[:2] / 6.0, round_width)
    return np.array([*np.maximum(widest, round_width / 8.0), size[2] / 8.0])


def carried_in_parts(gains: Floats, points: Floats, noise: NoiseModel, finest: float) -> Floats:
    """Covariance (1 + w, k, k) of the sum of gains (n, k) times a scan's noise at points (n, 3), mm: what the white
    noise and each wave has in it.

    finest  mm, width of the cells that follow how the gains change from place to place

    >>> white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), 'white noise alone')
    >>> bool(np.isclose(carried_in_parts(np.ones((4, 1)), np.eye(4)[:, :3], white, 1.0)[0, 0, 0], 4e-4))
    True
    """
    components, _ = components_of(noise)
    white = noise.sigma_white**2 * (gains.T @ gains)
    parts = propagated(np.ascontiguousarray(gains), np.ascontiguousarray(points), components, np.full(3, finest))
    return np.array([white, *parts])


def carried_through(gains: Floats, points: Floats, noise: NoiseModel, finest: float) -> Floats:
    """The same covariance (k, k) as a whole."""
    parts = carried_in_parts(gains, points, noise, finest)
    # A wave that was seen a few times only may be larger than it looked. Each part is widened by itself, so that what a
    # sum's covariance is does not hang on the axes that it is written in; that is never less than widening the whole.
    more = _beyond_normal(np.append(np.inf, components_of(noise)[1])) ** 2
    return np.asarray(np.tensordot(more, parts, axes=1))
