"""Lines, arcs and circles through ordered points in a plane, and where they meet. mm.

A closed or open run of points is cut into pieces by dynamic programming over all places to cut: each piece costs
its squared residuals over the noise's variance, and what its parameters are worth (a Bayesian information
criterion, so that a piece more must earn itself). Moments summed along the run make every trial fit cheap; the pieces
chosen are fitted again by orthogonal distance.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.geometry import (
    Floats,
    arc_lengths,
    fit_circle,
    gaps_round,
    polar_angles,
    scaled_mad,
    simplified,
    step_lengths,
    unit_rows,
)

MOST_POINTS = 360  # of a run that are tried as places to cut
SHORTEST = 5  # points of a piece
BOW = 0.2  # of the tolerance: a line bowed by less is a line
CLEAN = 0.6  # share of a run that lines and arcs must cover: a wavy cast edge always has some by chance
WEIGHT = 3.0  # how many times its worth a piece must earn: neighbouring points err together


@dataclass(frozen=True)
class Curve:
    """kind "line" (through `point` along `direction`) | "circle" (about `point`) | "free" (`points` in order).

    ccw      of a circle: run counter-clockwise
    feature  what it came from, if it was not fitted
    rms      of the points it stands for, mm
    ends     (2, 2) where the run of points begins and ends
    """

    kind: str
    ends: Floats
    point: Floats = field(default_factory=lambda: np.zeros(2))
    direction: Floats = field(default_factory=lambda: np.array([1.0, 0.0]))
    radius: float = 0.0
    ccw: bool = True
    points: Floats | None = None
    feature: str | None = None
    rms: float = 0.0
    length: float = 0.0


def distance(curve: Curve, points: Floats) -> Floats:
    """(n,) signed distance of points (n, 2) from an unbounded line or a circle."""
    off = points - curve.point
    if curve.kind == "line":
        return off[:, 1] * curve.direction[0] - off[:, 0] * curve.direction[1]
    return np.linalg.norm(off, axis=1) - curve.radius


def nearest_on(curve: Curve, point: Floats) -> Floats:
    """The point of an unbounded line or circle that is nearest to a point (2,)."""
    off = point - curve.point
    if curve.kind == "line":
        return curve.point + (off @ curve.direction) * curve.direction
    return curve.point + curve.radius * off / max(float(np.linalg.norm(off)), 1e-12)


def meet(a: Curve, b: Curve, near: Floats, reach: float) -> Floats | None:
    """Where two lines or circles cross nearest to `near`, within `reach`; of a touch, the middle between them."""
    found = _crossings(a, b)
    if len(found):
        best = found[int(np.argmin(np.linalg.norm(found - near, axis=1)))]
        if np.linalg.norm(best - near) <= reach:
            return best
    # Curves that run into one another smoothly cross badly or not at all: take the foot on both.
    p = near
    for _ in range(20):
        p = 0.5 * (nearest_on(a, p) + nearest_on(b, p))
    on_both = max(abs(float(distance(a, p[None])[0])), abs(float(distance(b, p[None])[0])))
    return p if on_both < 0.1 and np.linalg.norm(p - near) <= reach else None


def _crossings(a: Curve, b: Curve) -> Floats:
    if a.kind == "circle" and b.kind == "line":
        a, b = b, a
    if a.kind == "line" and b.kind == "line":
        cross = a.direction[0] * b.direction[1] - a.direction[1] * b.direction[0]
        if abs(cross) < 1e-3:
            return np.empty((0, 2))
        off = b.point - a.point
        return (a.point + a.direction * (off[0] * b.direction[1] - off[1] * b.direction[0]) / cross)[None]
    if a.kind == "line":
        foot = nearest_on(a, b.point)
        half = b.radius**2 - float(np.sum((foot - b.point) ** 2))
        if half <= 0.0:
            return np.empty((0, 2))
        return np.array([foot + s * np.sqrt(half) * a.direction for s in (1.0, -1.0)])
    off = b.point - a.point
    apart = float(np.linalg.norm(off))
    if apart < 1e-9 or apart > a.radius + b.radius or apart < abs(a.radius - b.radius):
        return np.empty((0, 2))
    along = (apart**2 + a.radius**2 - b.radius**2) / (2.0 * apart)
    half = np.sqrt(max(a.radius**2 - along**2, 0.0))
    e = off / apart
    n = np.array([-e[1], e[0]])
    return np.array([a.point + along * e + s * half * n for s in (1.0, -1.0)])


def fit_line(points: Floats) -> Curve:
    """Line by orthogonal distance, along the run of the points."""
    middle = points.mean(axis=0)
    _, _, vt = np.linalg.svd(points - middle, full_matrices=False)
    along = vt[0] * np.sign(vt[0] @ (points[-1] - points[0]) or 1.0)
    curve = Curve("line", points[[0, -1]], middle, along, length=_length(points))
    return replace(curve, rms=float(np.sqrt(np.mean(distance(curve, points) ** 2))))


def fit_arc(points: Floats) -> Curve | None:
    """Circle by orthogonal distance, run the way the points do; None where they lie on a line."""
    try:
        centre, radius, rms = fit_circle(points)
    except (ValueError, np.linalg.LinAlgError):
        return None
    ccw = _turn(points, centre) > 0
    return Curve("circle", points[[0, -1]], centre, radius=radius, ccw=ccw, rms=rms, length=_length(points))


def _turn(points: Floats, centre: Floats) -> float:
    """Angle that a run of points turns about a centre, rad."""
    angle = np.unwrap(polar_angles(points - centre))
    return float(angle[-1] - angle[0])


def _length(points: Floats) -> float:
    return float(np.sum(step_lengths(points)))


def noise_of(points: Floats) -> float:
    """Standard deviation across the run, mm, from its second differences (median, so that corners don't count)."""
    if len(points) < 8:
        return 0.0
    second = points[:-2] - 2.0 * points[1:-1] + points[2:]
    along = unit_rows(points[2:] - points[:-2])
    return scaled_mad(second[:, 0] * along[:, 1] - second[:, 1] * along[:, 0], 0.0) / float(np.sqrt(6.0))


def cut(points: Floats, sigma: float, closed: bool, tolerance: float) -> list[Curve]:
    """Lines, arcs, one circle, or free pieces that stand for a run of points (n, 2), in order.

    sigma      mm, of the points across the run
    closed     the last point is followed by the first
    tolerance  mm, within which a free piece follows the points, and up to which a line or arc may miss them (rms)
    """
    if closed:
        ring = fit_arc(points)
        if (
            ring is not None
            and ring.rms <= min(max(3.0 * sigma, 0.25 * tolerance), 0.5 * tolerance)
            and _whole(points, ring)
        ):
            return [replace(ring, ends=points[[0, 0]])]
    few = points if len(points) <= MOST_POINTS else _thinned(points, MOST_POINTS, closed)
    if len(few) < 2 * SHORTEST:
        return [free(points if not closed else np.vstack([points, points[:1]]), tolerance)]
    if closed:
        # Begin where two pieces meet, so that none is cut by the accident of where the run began.
        spans = _spans(few, sigma)
        few = np.roll(few, -spans[len(spans) // 2][0], axis=0) if len(spans) > 1 else few
    spans = _spans(few, sigma)
    pieces = [_piece(few[a:b], sigma, tolerance) for a, b in spans]
    clean = sum(p.length for p in pieces if not _weak(p))
    if clean < CLEAN * sum(p.length for p in pieces):
        return [free(np.vstack([few, few[:1]]) if closed else few, tolerance)]
    return _joined(pieces, few, spans, tolerance)


def _whole(points: Floats, ring: Curve) -> bool:
    return bool(gaps_round(polar_angles(points - ring.point)).max() < np.radians(60.0))


def _thinned(points: Floats, count: int, closed: bool) -> Floats:
    """Means of neighbouring points, evenly along the run."""
    run = np.vstack([points, points[:1]]) if closed else points
    s = arc_lengths(run)
    cell = np.minimum((s[: len(points)] / s[-1] * count).astype(int), count - 1)
    number = np.bincount(cell, minlength=count)
    sums = np.stack([np.bincount(cell, points[:, k], count) for k in range(2)], axis=1)
    return sums[number > 0] / number[number > 0, None]


def _spans(points: Floats, sigma: float) -> list[tuple[int, int]]:
    """The pieces [a, b) into which the run is cut best; no point belongs to two."""
    n = len(points)
    lines, arcs = _costs(points, sigma)
    worth = WEIGHT * np.log(n)
    piece = np.minimum(lines + 3.0 * worth, arcs + 4.0 * worth)
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came = np.zeros(n + 1, dtype=int)
    for end in range(SHORTEST, n + 1):
        starts = np.arange(0, end - SHORTEST + 1)
        total = best[starts] + piece[starts, end - 1]
        k = int(np.argmin(total))
        best[end], came[end] = total[k], starts[k]
    spans, end = [], n
    while end > 0:
        spans.append((int(came[end]), end))
        end = int(came[end])
    return spans[::-1]


def _costs(points: Floats, sigma: float) -> tuple[Floats, Floats]:
    """(n, n) squared residuals over sigma^2 of the best line and the best circle through points i..j."""
    n = len(points)
    scale = max(float(np.abs(points - points.mean(axis=0)).max()), 1e-9)
    x, y = ((points - points.mean(axis=0)) / scale).T
    z = x * x + y * y
    terms = (np.ones(n), x, y, z, x * x, x * y, y * y, x * z, y * z, z * z)
    sums = [np.append(0.0, np.cumsum(t)) for t in terms]
    i, j = np.triu_indices(n, 2)
    one, sx, sy, sz, sxx, sxy, syy, sxz, syz, szz = (s[j + 1] - s[i] for s in sums)
    sxx, sxy, syy = sxx - sx * sx / one, sxy - sx * sy / one, syy - sy * sy / one
    sxz, syz, szz = sxz - sx * sz / one, syz - sy * sz / one, szz - sz * sz / one
    variance = (sigma / scale) ** 2
    least = 0.5 * (sxx + syy) - np.sqrt(0.25 * (sxx - syy) ** 2 + sxy**2)
    lines, arcs = np.zeros((n, n)), np.full((n, n), np.inf)
    lines[i, j] = np.maximum(least, 0.0) / variance
    # z = 2 a x + 2 b y + c: its residual is 2 r times the distance.
    det = sxx * syy - sxy * sxy
    good = (det > 1e-12 * (sxx + syy) ** 2) & (one >= SHORTEST)
    det = np.where(good, det, 1.0)
    p, q = (sxz * syy - syz * sxy) / det, (syz * sxx - sxz * sxy) / det
    residual = np.maximum(szz - p * sxz - q * syz, 0.0)
    c = (sz - p * sx - q * sy) / one
    square = np.maximum(c + 0.25 * (p * p + q * q), 1e-12)
    arcs[i, j] = np.where(good, residual / (4.0 * square) / variance, np.inf)
    return lines, arcs


def _piece(points: Floats, sigma: float, tolerance: float) -> Curve:
    line = fit_line(points)
    arc = fit_arc(points) if len(points) >= SHORTEST else None
    worth = WEIGHT * np.log(max(len(points), 3)) * sigma**2 / len(points)
    chosen = line
    if arc is not None and arc.rms**2 + worth < line.rms**2 and _rise(arc, points) > max(3.0 * sigma, BOW * tolerance):
        chosen = arc
    if chosen.rms > min(max(2.5 * sigma, 0.3 * tolerance), 0.5 * tolerance):
        return free(points, tolerance)
    return chosen


def _rise(arc: Curve, points: Floats) -> float:
    """Height of an arc over its chord, mm."""
    half = min(0.5 * abs(_turn(points, arc.point)), np.pi)
    return float(arc.radius * (1.0 - np.cos(half)))


def _weak(curve: Curve) -> bool:
    """Arcs that turn little, and short lines: what a wavy cast edge comes to when it is cut to pieces."""
    if curve.kind == "free":
        return True
    if curve.kind == "line":
        return curve.length < 8.0
    return curve.length / max(curve.radius, 1e-9) < np.radians(25.0)


def _joined(pieces: list[Curve], points: Floats, spans: list[tuple[int, int]], tolerance: float) -> list[Curve]:
    """Runs of three and more weak pieces or arcs, and free ones side by side, made one free piece."""
    out: list[Curve] = []
    k = 0
    while k < len(pieces):
        end = k
        while end < len(pieces) and _weak(pieces[end]):
            end += 1
        arcs = k
        while arcs < len(pieces) and pieces[arcs].kind != "line":
            arcs += 1
        if arcs - k >= 3:
            end = max(end, arcs)
        if end - k >= 3 or (end > k and all(p.kind == "free" for p in pieces[k:end])):
            out.append(free(points[spans[k][0] : spans[end - 1][1]], tolerance))
            k = end
        else:
            out.append(pieces[k])
            k += 1
    return out


def free(points: Floats, tolerance: float) -> Curve:
    """A polyline that follows the points within the tolerance."""
    kept = points[simplified(points, [0, len(points) - 1], tolerance)]
    return Curve("free", points[[0, -1]], points=kept, rms=0.0, length=_length(points))
