"""Standard uncertainty of a surface fitted to points of several scans at once, each with its own noise and pose.

As in `propagation`: the parameters are -(J'WJ)^-1 J'W e. The errors e of a scan's points are its noise, and what an
error of its pose makes of them: n . (shift + turn x p), the same motion for all its points (JCGM 100:2008 (GUM) 5.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty.combined import Parts, parts_of, sum_of
from pipeline.features.uncertainty.correlated_noise import propagated
from pipeline.features.uncertainty.propagation import (
    METHOD,
    completed,
    components_of,
    finest_of,
    form_beyond,
    seen_of,
    summary,
)
from pipeline.geometry import Floats, basis_of
from pipeline.lengths import um
from pipeline.surfaces import KINDS, Shape, jacobian, signed_distance, surface_normal
from pipeline.values import NoiseModel, Uncertainty


class Share(NamedTuple):
    """What one scan has in a fit.

    points  (n, 3) mm, in the coordinates common to all; weights (n,) of the fit
    noise   of the scan
    pose    parts of the covariance (6, 6) of a small motion of the scan after its own: shift, mm, and turn about the
            origin, rad; None of the scan that gives the coordinates
    number  of the scan
    """

    points: Floats
    weights: Floats
    noise: NoiseModel
    pose: Parts | None
    number: int = 0


def weighed_together(shape: Shape, shares: Sequence[Share]) -> tuple[Uncertainty, float | None]:
    """Standard uncertainty (k = 1) of a shape fitted to several scans, and the rms (mm) that their noise alone leaves
    in the residuals, None where unknown.

    >>> corners = np.array([[x, y, 0.0] for x in range(40) for y in range(40)], dtype=float)
    >>> white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), 'white noise alone')
    >>> flat = Shape('plane', corners.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    >>> twice = [Share(corners, np.ones(1600), white, None)] * 2
    >>> round(weighed_together(flat, twice)[0].position, 6)
    0.000177
    """
    shares = [
        s._replace(
            points=np.ascontiguousarray(s.points[s.weights > 0.0], dtype=float), weights=s.weights[s.weights > 0.0]
        )
        for s in shares
    ]
    kind, basis = KINDS[shape.kind], basis_of(shape.direction)
    points, weights = np.concatenate([s.points for s in shares]), np.concatenate([s.weights for s in shares])
    if len(points) < 3 * len(kind.parameters):
        return Uncertainty(None, None, None, f"not vouched for: only {len(points)} points carry it"), None
    rows = jacobian(shape, points, basis)
    weighted = rows * weights[:, None]
    normal = rows.T @ weighted
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0.0) or np.linalg.cond(normal / np.outer(scale, scale)) > 1e12:
        return Uncertainty(None, None, None, "not vouched for: the points don't determine the shape"), None
    gains = weighted @ (np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale))
    seen = seen_of(shape, points, basis)
    finest = finest_of(shape, seen)
    mean_square = rows.T @ rows / len(points)
    several: list[Parts] = []
    left_over, start = 0.0, 0
    for share in shares:
        mine = slice(start, start + len(share.points))
        start = mine.stop
        own, size = np.ascontiguousarray(gains[mine]), float(weights[mine].sum() / weights.sum())
        left_over += size * share.noise.sigma_white**2 * (1.0 - normal.shape[0] / len(points))
        waves, known = components_of(share.noise)
        through = propagated(own, np.ascontiguousarray(seen.places[mine]), waves, finest)
        for (sigma, _), part in zip(waves, through, strict=True):
            left_over += max(0.0, size * sigma**2 - float(np.sum(mean_square * part)))
        of_white = share.noise.sigma_white**2 * (own.T @ own)
        numbers = np.array([0, *[share.number] * len(waves)], dtype=np.int32)
        several.append(Parts(np.array([of_white, *through]), np.array([np.inf, *known]), numbers))
        if share.pose is not None:
            normals = surface_normal(shape, share.points)
            several.append(share.pose.through(own.T @ np.hstack([normals, np.cross(share.points, normals)])))
    method = f"{METHOD}; {len(shares)} scans were fitted together, each with its own noise and pose"
    form = form_beyond(signed_distance(shape, points), weights, left_over)
    if form:
        method += f", and {um(form)} of form that they don't explain"
    every, freedom, scans = sum_of(several)
    covariance = completed(every, freedom, form, gains, seen, finest, points)
    found = summary(shape, kind.parameters, covariance, basis, method)
    return replace(found, parts=every, freedom=freedom, scans=scans), float(np.sqrt(left_over))


def posed_too(known: Uncertainty, shape: Shape, pose: Parts, number: int = 0) -> Uncertainty:
    """The uncertainty of a feature of a scan of some number whose own pose has a covariance (6, 6), as in `Share`.

    shape  of the feature, in the coordinates that the pose leads to

    >>> from pipeline.features.uncertainty import all_known
    >>> flat = Shape('plane', np.zeros(3), np.array([0.0, 0.0, 1.0]))
    >>> given = Uncertainty(3e-3, 1e-4, None, 'alone', ('w', 'a', 'b'), np.diag([9e-6, 1e-8, 1e-8]), np.eye(3)[:2])
    >>> round(posed_too(given, flat, all_known(np.diag([0.0, 0.0, 16e-6, 0.0, 0.0, 0.0]))).position, 6)
    0.005
    """
    if known.covariance is None or known.basis is None:
        return known
    u, v = known.basis
    lever = np.zeros((len(known.names), 6))
    along = np.cross(u, v) if shape.direction is None else shape.direction
    for row, name in enumerate(known.names):
        if name in "uvw":
            way = {"u": u, "v": v, "w": along}[name]
            lever[row] = np.r_[way, np.cross(shape.point, way)]
        elif name in "ab":
            lever[row, 3:] = np.cross(along, u if name == "a" else v)
        elif name == "t":
            lever[row, 3:] = along
    whole = sum_of([parts_of(known).numbered([number]), pose.through(lever)])
    method = f"{known.method}; with the pose of its set-up"
    found = summary(shape, known.names, whole.widened(), known.basis, method)
    radius = found.radius if known.radius is not None else None
    return replace(
        found, radius=radius, parts=whole.values, freedom=whole.freedom, scans=whole.scans, scale=known.scale
    )
