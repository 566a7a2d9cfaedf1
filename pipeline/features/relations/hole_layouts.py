"""How equal holes lie in a plane: bolt circles and rectangles among points (n, 2), mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.geometry import Floats, fit_circle, on_circle, polar_angles

# What is still one pattern: holes as drilled by hand on a marked-out circle lie within some 0.3 mm of their places
# (common practice, no source).
PLACE = 0.3
EVEN = np.radians(1.0)  # a side's angle just under a half turn is written as just under none
MOST_HOLES = 40  # triples of more holes than this are not all tried


@dataclass(frozen=True)
class Ring:
    """Holes on a circle, in 2-D: which of the points, its measures, and the places that are empty.

    count   places on the ring, holes and empty ones; phase rad to the first place (smallest angle >= 0)
    even    whether the places divide the circle evenly; if not, count is that of the holes, phase None
    """

    members: tuple[int, ...]
    centre: Floats
    radius: float
    count: int
    phase: float | None
    rms: float
    empty: Floats
    even: bool


def rings(points: Floats) -> list[Ring]:
    """Bolt circles among points (n, 2) of equal holes, most holes first; a point belongs to one ring at most.

    Three holes make a ring when they divide the circle evenly, or are three of four places; five or more when they
    lie on a circle at all.

    >>> turn = np.radians(60.0 * np.arange(6))
    >>> (ring,) = rings(50.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    >>> round(ring.radius, 9), len(ring.members)
    (50.0, 6)
    """
    left = list(range(len(points)))
    found: list[Ring] = []
    while len(left) >= 3:
        best = _best_ring(points, left)
        if best is None:
            break
        found.append(best)
        left = [i for i in left if i not in best.members]
    return found


def _best_ring(points: Floats, left: list[int]) -> Ring | None:
    some = left if len(left) <= MOST_HOLES else left[:: -(-len(left) // MOST_HOLES)]
    best: Ring | None = None
    tried: set[tuple[int, ...]] = set()
    for triple in combinations(some, 3):
        try:
            centre, radius, _ = fit_circle(points[list(triple)])
        except ValueError:
            continue
        members = _members(points, left, centre, radius)
        if members in tried or len(members) < 3 or (best is not None and len(members) < len(best.members)):
            continue
        tried.add(members)
        try:
            centre, radius, _ = fit_circle(points[list(members)])
        except ValueError:
            continue
        members = _members(points, left, centre, radius)
        if len(members) < 3:
            continue
        ring = _ring(points, members)
        if ring is not None and (best is None or _rank(ring) > _rank(best)):
            best = ring
    return best


def _rank(ring: Ring) -> tuple[int, bool, int, float]:
    return len(ring.members), ring.even, -len(ring.empty), -ring.rms


def _members(points: Floats, left: list[int], centre: Floats, radius: float) -> tuple[int, ...]:
    away = np.abs(np.linalg.norm(points[left] - centre, axis=1) - radius)
    return tuple(i for i, a in zip(left, away, strict=True) if a < PLACE)


def _ring(points: Floats, members: tuple[int, ...]) -> Ring | None:
    chosen = points[list(members)]
    centre, radius, rms = fit_circle(chosen)
    angles = polar_angles(chosen - centre)
    k = len(members)
    for count in range(k, k + max(1, k // 3) + 1):
        pitch = 2 * np.pi / count
        if 2.0 * radius * np.sin(pitch / 2.0) < 2.0 * PLACE:
            break
        phase = float(np.angle(np.mean(np.exp(1j * count * angles)))) / count
        place = np.round((angles - phase) / pitch)
        missed = radius * (angles - phase - place * pitch)
        slots = place.astype(int) % count
        if len(set(slots.tolist())) < k or np.max(np.abs(missed)) > PLACE:
            continue
        empty = sorted(set(range(count)) - set(slots.tolist()))
        where = phase + pitch * np.array(empty, dtype=float)
        full = float(np.sqrt(rms**2 + np.mean(missed**2)))
        return Ring(
            members, centre, radius, count, float(phase % pitch), full,
            on_circle(centre, radius, where), True,
        )  # fmt: skip
    if k >= 5:
        return Ring(members, centre, radius, k, None, rms, np.empty((0, 2)), False)
    return None


@dataclass(frozen=True)
class Rectangle:
    """Four holes at the corners of a rectangle; `angle` rad of the longer side, in [0, pi) give or take a degree."""

    members: tuple[int, ...]
    centre: Floats
    size: tuple[float, float]
    angle: float
    rms: float


def rectangles(points: Floats) -> list[Rectangle]:
    """Rectangles among points (n, 2), largest first; a point belongs to one at most.

    >>> (found,) = rectangles(np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]]))
    >>> [round(float(side), 9) for side in found.size]
    [60.0, 40.0]
    """
    found = []
    if len(points) <= 16:
        for four in combinations(range(len(points)), 4):
            made = _rectangle(points, four)
            if made is not None:
                found.append(made)
    found.sort(key=lambda r: (-r.size[0] * r.size[1], r.rms))
    kept: list[Rectangle] = []
    for r in found:
        if all(set(r.members).isdisjoint(k.members) for k in kept):
            kept.append(r)
    return kept


def _rectangle(points: Floats, four: tuple[int, ...]) -> Rectangle | None:
    middle = points[list(four)].mean(axis=0)
    off = points[list(four)] - middle
    order = np.argsort(polar_angles(off))
    a, b, c, d = off[order]
    # A rectangle's corners are +-s +-t about its middle, with s and t square to each other.
    s, t = 0.25 * ((a - b) + (d - c)), 0.25 * ((a + b) - (c + d))
    if np.linalg.norm(s) < np.linalg.norm(t):
        s, t = t, s
    long, short = np.linalg.norm(s), np.linalg.norm(t)
    if short < 2.0:
        return None
    # The best square pair: turn the longer one by half of what is lacking.
    angle = np.arctan2(s[1], s[0])
    across = np.array([-np.sin(angle), np.cos(angle)])
    angle -= 0.5 * float((t @ [np.cos(angle), np.sin(angle)]) / (t @ across)) * (2 * short**2 / (long**2 + short**2))
    e = np.array([np.cos(angle), np.sin(angle)])
    n = np.array([-e[1], e[0]])
    half = np.abs([np.mean(np.abs(off @ e)), np.mean(np.abs(off @ n))])
    ideal = np.sign(off @ e)[:, None] * half[0] * e + np.sign(off @ n)[:, None] * half[1] * n
    missed = np.linalg.norm(off - ideal, axis=1)
    if missed.max() > PLACE:
        return None
    return Rectangle(
        tuple(int(four[i]) for i in order), middle, (2 * float(half[0]), 2 * float(half[1])),
        float((angle + EVEN) % np.pi - EVEN), float(np.sqrt(np.mean(missed**2))),
    )  # fmt: skip


def layout_sigma(places: Sequence[float | None], rms: float) -> float | None:
    """Standard uncertainty, mm, of a pitch circle's diameter or of a rectangle's side, without the scan's scale: from
    how well each hole is placed, mm, and how far they lie off the pattern, whichever is more; None where a hole's place
    can't be vouched for.

    >>> layout_sigma([0.004] * 4, 0.002)
    0.004
    """
    known = [place for place in places if place is not None]
    if not known or len(known) < len(places):
        return None
    return float(2.0 * max(*known, rms) / np.sqrt(len(known)))
