"""Where surfaces meet: points moved onto two or three of them at once, and the exact curves of borders, each a line,
circle, ellipse, or a spline on both surfaces."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_interp_spline

from pipeline.geometry import cross
from pipeline.surfaces import Shape, kind_of, signed_distance, surface_normal

Floats = NDArray[np.float64]
Field = Callable[[Floats], tuple[Floats, Floats]]  # signed distances (n,) and normals (n, 3) at points (n, 3)

DEGREE = 5
# mm: how far a curve may be from either surface, and a point from a line that it is said to lie on.
EXACT = 2e-7
# mm: an ellipse whose half axes differ by less is a circle.
_ROUND = 5e-6
# mm: larger ellipses are drawn as splines, their centres being too far away to say much.
_LARGEST = 2000.0
_LEAST = 8  # samples of a curve
_TURN = 0.1  # rad between samples of a circle or ellipse
_MOST = 2048

_STEPS = 25
_THERE = 1e-10  # mm


@dataclass(frozen=True)
class Curve:
    """A curve from its first to its last sample.

    kind     "line" | "circle" | "ellipse" | "spline"
    t        (n,) parameters of the samples, growing: mm along a line, rad on a circle or ellipse
    points   (n, 3) samples, on both surfaces
    centre, axes   circle and ellipse: (3,) and (3, 3) rows major, minor, normal
    radii    half axes, major first
    spline   the spline of degree 5 through the samples
    off      mm: how far it may be from either surface
    """

    kind: str
    t: Floats
    points: Floats
    centre: Floats | None = None
    axes: Floats | None = None
    radii: tuple[float, float] | None = None
    spline: BSpline | None = None
    off: float = 0.0

    def at(self, t: Floats) -> Floats:
        """(n, 3) points at parameters."""
        if self.kind == "line":
            way = self.points[-1] - self.points[0]
            return self.points[0] + ((t - self.t[0]) / (self.t[-1] - self.t[0]))[:, None] * way
        if self.spline is not None:
            return np.asarray(self.spline(t))
        assert self.axes is not None
        assert self.radii is not None
        assert self.centre is not None
        a, b = self.radii
        return self.centre + a * np.cos(t)[:, None] * self.axes[0] + b * np.sin(t)[:, None] * self.axes[1]


def straight(start: Floats, end: Floats) -> Curve:
    """The line between two points."""
    way = end - start
    return Curve("line", np.array([0.0, math.sqrt(way @ way)]), np.array([start, end]))


def meeting_curve(one: Shape, other: Shape, path: Floats, closed: bool) -> Curve | None:
    """The curve in which two surfaces meet, through the points (k, 3) of a path on both, in their order.

    closed: the last point is the first again. None where they have no such curve beside the path.
    """
    if kind_of(one).flat and kind_of(other).flat:
        return straight(path[0], path[-1])
    conic = _plane_section(one, other, path, closed)
    if conic is not None:
        return conic
    step = _step(one, other)
    per_chord = [max(1, int(np.ceil(d / step))) for d in np.linalg.norm(np.diff(path, axis=0), axis=1)]
    least = int(np.ceil(_LEAST / len(per_chord)))
    per_chord = [max(least, n) for n in per_chord]
    while True:
        samples = _sampled(one, other, path, per_chord, closed)
        if samples is None:
            return None
        if not closed and _collinear(samples):
            return straight(samples[0], samples[-1])
        curve = spline_through(samples)
        off = _off(curve, one, other)
        if off < EXACT or sum(per_chord) > _MOST:
            return replace(curve, off=off)
        per_chord = [2 * n for n in per_chord]


def _step(one: Shape, other: Shape) -> float:
    """mm between samples: a fraction of the smallest radius."""
    radii = [r for s in (one, other) for r in (s.radius, s.major_radius) if r]
    return 0.3 * min(radii) if radii else 1.0


def _sampled(one: Shape, other: Shape, path: Floats, per_chord: list[int], closed: bool) -> Floats | None:
    """(n, 3) the path's own points and others between them, all on both surfaces."""
    parts, own = [], [0]
    for (p, q), n in zip(pairwise(path), per_chord, strict=True):
        parts.append(p + (np.arange(n) / n)[:, None] * (q - p))
        own.append(own[-1] + n)
    start = np.concatenate([*parts, path[-1:]])
    found, ok = onto([one, other], start, 1e-4)
    if not ok.all():
        return None
    keep = np.array(own)
    if np.abs(found[keep] - path).max() > 1e-6:
        return None
    found[keep] = path
    if closed:
        found[-1] = found[0]
    steps = np.diff(found, axis=0)
    ways = np.repeat(np.diff(path, axis=0), per_chord, axis=0)
    if (np.einsum("ij,ij->i", steps, ways) <= 0).any():
        return None
    return found


def _collinear(samples: Floats) -> bool:
    way = samples[-1] - samples[0]
    off = samples - samples[0]
    off = off - (off @ way)[:, None] * way / max(float(way @ way), 1e-300)
    return bool(np.abs(off).max() < EXACT)


def _plane_section(one: Shape, other: Shape, path: Floats, closed: bool) -> Curve | None:
    """The line, circle or ellipse in which a plane cuts another surface; None where it is none of these."""
    plane, quadric = (one, other) if kind_of(one).flat else (other, one)
    kind = kind_of(quadric)
    if not kind_of(plane).flat or not (kind.spherical or (kind.revolved and kind.ruled)):
        return None
    if not closed and kind.ruled:
        middle = 0.5 * (path[:1] + path[-1:])
        if abs(signed_distance(quadric, middle)[0]) < 1e-9 and _collinear(path):
            return straight(path[0], path[-1])
    return _conic(plane, quadric, path, closed)


def _conic(plane: Shape, quadric: Shape, path: Floats, closed: bool) -> Curve | None:
    """The ellipse or circle in which a plane cuts a cylinder, cone or sphere, by the shorter way from point to point
    of a path; None where it is neither."""
    assert plane.direction is not None
    normal = plane.direction / np.linalg.norm(plane.direction)
    origin = path[0]
    u = path[1] - origin
    u = u - (u @ normal) * normal
    u /= np.linalg.norm(u)
    v = cross(normal, u)
    form, linear, constant = _restricted(quadric, origin, u, v)
    if np.linalg.det(form) <= 1e-12:
        return None
    middle = -np.linalg.solve(form, linear)
    level = -(constant + linear @ middle)
    values, vectors = np.linalg.eigh(form)
    if level <= 0 or values[0] <= 0 or level / values[0] > _LARGEST**2:
        return None
    major, minor = float(np.sqrt(level / values[0])), float(np.sqrt(level / values[1]))
    round_ = major - minor < _ROUND
    radii = ((major + minor) / 2,) * 2 if round_ else (major, minor)
    centre = origin + middle[0] * u + middle[1] * v
    x = vectors[0, 0] * u + vectors[1, 0] * v
    y = cross(normal, x)
    t = np.unwrap(np.arctan2((path - centre) @ y / radii[1], (path - centre) @ x / radii[0]))
    if t[1] < t[0]:
        y, t = -y, -t
    axes = np.stack([x, y, cross(x, y)])
    if (np.diff(t) <= 0).any() or (closed and abs(t[-1] - t[0] - 2 * np.pi) > 1e-6):
        return None
    # Parameters from within one turn, as kernels like them.
    t = t - 2 * np.pi * np.floor(t[0] / (2 * np.pi))
    if closed:
        t[-1] = t[0] + 2 * np.pi
    off = (major - minor) / 2 if round_ else 0.0
    curve = Curve("circle" if round_ else "ellipse", t, path, centre, axes, radii, off=off)
    missed = float(np.abs(curve.at(t) - path).max())
    if missed > (_ROUND if round_ else EXACT):
        return None
    fine = np.linspace(t[0], t[-1], max(_LEAST, int((t[-1] - t[0]) / _TURN) + 2))
    return replace(curve, t=fine, points=curve.at(fine), off=max(off, missed))


def _restricted(quadric: Shape, origin: Floats, u: Floats, v: Floats) -> tuple[Floats, Floats, float]:
    """Coefficients of the quadric's equation on a plane: x'Ax + 2 b'x + c, x along u and v from the origin."""
    w = origin - quadric.point
    form, linear, constant = np.eye(2), np.array([w @ u, w @ v]), float(w @ w)
    radius = quadric.radius or 0.0
    if kind_of(quadric).spherical:
        return form, linear, constant - radius**2
    assert quadric.direction is not None
    d = quadric.direction
    way, along = np.array([d @ u, d @ v]), float(w @ d)
    slope = np.tan(quadric.half_angle or 0.0) if kind_of(quadric).tapered else 0.0
    grow = 1.0 + slope**2
    form = form - grow * np.outer(way, way)
    linear = linear - (grow * along + radius * slope) * way
    constant = constant - grow * along**2 - 2 * radius * slope * along - radius**2
    return form, linear, constant


def spline_through(samples: Floats) -> Curve:
    """The spline of degree 5 through samples, its parameter about the length along it."""
    t = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(samples, axis=0), axis=1))])
    return Curve("spline", t, samples, spline=make_interp_spline(t, samples, DEGREE))


def between(curve: Curve) -> Floats:
    """Parameters in the middle between samples."""
    return 0.5 * (curve.t[:-1] + curve.t[1:])


def _off(curve: Curve, one: Shape, other: Shape) -> float:
    """mm: the farthest that a curve is from either surface, between its samples."""
    points = curve.at(between(curve))
    return float(max(np.abs(signed_distance(s, points)).max() for s in (one, other)))


def onto(shapes: Sequence[Shape], points: Floats, least_sine: float = 0.05) -> tuple[Floats, NDArray[np.bool_]]:
    """Points (n, 3) moved onto one, two or three surfaces at once, and whether each got there.

    least_sine  of the angle between two surfaces, and least volume spanned by three normals; where they run more
                nearly along each other a point counts as not there
    """
    return settled([field_of(shape) for shape in shapes], points, least_sine)


def field_of(shape: Shape) -> Field:
    """A surface as its signed distances and normals."""
    return lambda x: (signed_distance(shape, x), surface_normal(shape, x))


def plane_field(places: Floats, normals: Floats) -> Field:
    """For each of n points a plane of its own, through `places` and square to `normals`, (n, 3)."""
    return lambda x: (np.einsum("ij,ij->i", x - places, normals), normals)


def settled(fields: Sequence[Field], points: Floats, least_sine: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Points moved onto all of some surfaces by Newton's method, as `onto`."""
    x = np.array(points, dtype=np.float64)
    if not len(x):
        return x, np.ones(0, np.bool_)
    gram = np.zeros((len(x), len(fields), len(fields)))
    worst = np.full(len(x), np.inf)
    for _ in range(_STEPS):
        found = [field(x) for field in fields]
        off = np.stack([distances for distances, _ in found], axis=1)
        normals = np.stack([directions for _, directions in found], axis=1)
        gram = np.einsum("nij,nkj->nik", normals, normals)
        worst = np.abs(off).max(axis=1)
        if (worst < _THERE).all():
            break
        # A hair on the diagonal keeps nearly parallel surfaces from blowing up; it costs a step, not the place.
        step = np.linalg.solve(gram + 1e-12 * np.eye(len(fields)), off[:, :, None])[:, :, 0]
        move = np.einsum("ni,nij->nj", step, normals)
        length = np.linalg.norm(move, axis=1, keepdims=True)
        x -= move * np.minimum(1.0, 20.0 / np.maximum(length, 1e-300))
    crossing = np.sqrt(np.maximum(np.linalg.det(gram), 0.0))
    return x, (worst < 1e-7) & (crossing >= (least_sine if len(fields) > 1 else 0.0)) & np.isfinite(x).all(axis=1)


def onto_meeting(one: Shape, other: Shape, points: Floats, least_sine: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Points (n, 3) moved onto the meeting of two surfaces, and whether each got there."""
    return onto([one, other], points, least_sine)
