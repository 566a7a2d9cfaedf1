"""Outlines of lines and arcs made larger or smaller: lines stay lines, arcs arcs.

Every piece is moved square to itself; where two come apart at a corner an arc about the corner joins them. What comes
nearer to the outline than it was moved, where pieces cross or an arc has no radius left, is cut away at the crossings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.geometry import FULL_TURN, Floats, turn_between
from pipeline.values import Segment

_SAME = 1e-6  # mm: ends that are one place
_SHORT = 1e-5  # mm: pieces that are none
_NEARER = 2e-5  # mm by which a piece may come nearer to the outline than it was moved
_STRAIGHT = 1e-7  # rad: pieces that run on into one another


class Piece(NamedTuple):
    """A line from `start` to `end` (2,), mm, or, where `turn` is not nought, an arc about `centre`.

    turn  rad, positive counter-clockwise

    >>> quarter = Piece(np.array([2.0, 0.0]), np.array([0.0, 2.0]), np.zeros(2), np.pi / 2)
    >>> quarter.radius, round(quarter.length, 4), quarter.at(0.5).round(3).tolist()
    (2.0, 3.1416, [1.414, 1.414])
    """

    start: Floats
    end: Floats
    centre: Floats
    turn: float

    @property
    def radius(self) -> float:
        """mm, of an arc."""
        return math.dist(self.start, self.centre)

    @property
    def length(self) -> float:
        """mm."""
        return self.radius * abs(self.turn) if self.turn else math.dist(self.start, self.end)

    def at(self, share: float) -> Floats:
        """The place (2,) at a share of the way."""
        if not self.turn:
            return self.start + share * (self.end - self.start)
        angle = share * self.turn
        c, s = math.cos(angle), math.sin(angle)
        return self.centre + np.array([[c, -s], [s, c]]) @ (self.start - self.centre)

    def heading(self, share: float) -> Floats:
        """(2,) unit, the way that it runs there."""
        if not self.turn:
            return (self.end - self.start) / math.dist(self.start, self.end)
        x, y = (self.at(share) - self.centre) / self.radius
        return np.array([-y, x]) if self.turn > 0 else np.array([y, -x])

    def distance(self, points: Floats) -> Floats:
        """(n,) mm from points (n, 2)."""
        if not self.turn:
            way = self.end - self.start
            along = np.clip((points - self.start) @ way / (way @ way), 0.0, 1.0)
            return np.linalg.norm(points - self.start - along[:, None] * way, axis=1)
        off = points - self.centre
        first = math.atan2(*(self.start - self.centre)[::-1])
        gone = ((np.arctan2(off[:, 1], off[:, 0]) - first) * np.sign(self.turn)) % FULL_TURN
        ends = np.minimum(np.linalg.norm(points - self.start, axis=1), np.linalg.norm(points - self.end, axis=1))
        ring = np.abs(np.linalg.norm(off, axis=1) - self.radius)
        return np.where(gone <= abs(self.turn), np.minimum(ring, ends), ends)

    def between(self, low: float, high: float) -> Piece:
        """The piece from one share of the way to another."""
        return Piece(self.at(low), self.at(high), self.centre, self.turn * (high - low))


def pieces_of(segments: Sequence[Segment], tolerance: float) -> tuple[Piece, ...]:
    """The lines and arcs of a loop of segments; a circle as two halves, a free piece as arcs and lines that follow its
    points within the tolerance, mm.

    >>> ring = Segment("circle", np.array([5.0, 0.0]), np.array([5.0, 0.0]), np.zeros(2), 5.0)
    >>> [round(p.turn, 4) for p in pieces_of([ring], 0.1)]
    [3.1416, 3.1416]
    """
    out: list[Piece] = []
    for s in segments:
        if s.kind == "line":
            out.append(_line(s.start, s.end))
        elif s.kind == "free":
            assert s.points is not None
            # A loop that is one free piece ends before its own first point.
            alone = len(segments) == 1 and math.dist(s.points[0], s.points[-1]) > _SHORT
            out += _followed(np.vstack([s.points, s.points[:1]]) if alone else s.points, tolerance)
        else:
            assert s.centre is not None
            assert s.radius is not None
            if s.kind == "circle":
                turn = FULL_TURN if s.ccw else -FULL_TURN
                whole = Piece(s.start, s.start, s.centre, turn)
                out += [whole.between(0.0, 0.5), whole.between(0.5, 1.0)]
            else:
                turn = turn_between(s.start - s.centre, s.end - s.centre, s.ccw)[1]
                out.append(_arc(s.start, s.end, s.centre, turn))
    return tuple(p for p in out if p.length > _SHORT)


def offset(loop: Sequence[Piece], by: float) -> tuple[tuple[Piece, ...], ...]:
    """A closed loop moved square to itself: `by` mm to the right of the way it runs, so that a counter-clockwise one
    grows, and to the left where that is negative.

    More loops than one where it falls apart, none where nothing is left.

    >>> corners = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> box = [Piece(a, b, a, 0.0) for a, b in zip(corners, np.roll(corners, -1, axis=0))]
    >>> [round(area(made), 6) for made in offset(box, -2.0)], round(area(offset(box, 2.0)[0]) - 800 - 240, 6)
    ([576.0], 12.566371)
    """
    if abs(by) < _SAME:
        return (tuple(loop),)
    moved = [piece for piece in _joints(loop, by) if piece.length > _SHORT]
    parts = [part for k, piece in enumerate(moved) for part in _split(piece, moved[:k] + moved[k + 1 :])]
    kept = [p for p in parts if _is_clear(p, loop, abs(by))]
    sense = 1.0 if area(loop) > 0 else -1.0
    return tuple(made for made in _chained(kept) if sense * area(made) > 0.0)


def area(loop: Sequence[Piece]) -> float:
    """mm2 within a closed loop, positive where it runs counter-clockwise."""
    total = 0.0
    for p in loop:
        total += 0.5 * float(p.start[0] * p.end[1] - p.end[0] * p.start[1])
        if p.turn:
            total += 0.5 * p.radius**2 * (p.turn - math.sin(p.turn))
    return total


def gap_between(one: Sequence[Piece], other: Sequence[Piece]) -> tuple[float, Floats, Floats]:
    """The least distance of two loops that don't cross, mm, and a place (2,) on each where it is.

    >>> ends = np.array([[5.0, 0.0], [8.0, 0.0]])
    >>> rings = [pieces_of([Segment("circle", at, at, np.zeros(2), at[0])], 0.1) for at in ends]
    >>> round(gap_between(*rings)[0], 6)
    3.0
    """
    best = (math.inf, np.zeros(2), np.zeros(2))
    for piece in one:
        shares = np.linspace(0.0, 1.0, max(9, min(200, int(piece.length) + 2)))
        places = np.array([piece.at(s) for s in shares])
        for far in other:
            distances = far.distance(places)
            k = int(np.argmin(distances))
            if distances[k] > best[0] + shares[1] * piece.length:
                continue
            low, high = shares[max(k - 1, 0)], shares[min(k + 1, len(shares) - 1)]
            share = _least(piece, far, low, high)
            found = float(far.distance(piece.at(share)[None])[0])
            if found < best[0]:
                best = (found, piece.at(share), _foot(far, piece.at(share)))
    return best


def corners_and_bulges(loop: Sequence[Piece]) -> tuple[tuple[tuple[float, float], ...], tuple[float, ...]]:
    """A loop as corners and, of the run from each to the next, the tangent of a quarter of its turn.

    >>> half = Piece(np.array([1.0, 0.0]), np.array([-1.0, 0.0]), np.zeros(2), np.pi)
    >>> corners, bulges = corners_and_bulges([half, Piece(half.end, half.start, half.end, 0.0)])
    >>> corners, [round(b, 6) for b in bulges]
    (((1.0, 0.0), (-1.0, 0.0)), [1.0, 0.0])
    """
    corners = tuple((float(p.start[0]), float(p.start[1])) for p in loop)
    return corners, tuple(math.tan(0.25 * p.turn) for p in loop)


def turned_back(loop: Sequence[Piece]) -> tuple[Piece, ...]:
    """The loop run the other way round.

    >>> half = Piece(np.array([1.0, 0.0]), np.array([-1.0, 0.0]), np.zeros(2), np.pi)
    >>> (back,) = turned_back([half])
    >>> back.start.tolist(), round(back.turn, 4)
    ([-1.0, 0.0], -3.1416)
    """
    return tuple(Piece(p.end, p.start, p.centre, -p.turn) for p in reversed(loop))


def _line(start: Floats, end: Floats) -> Piece:
    return Piece(start, end, start, 0.0)


def _arc(start: Floats, end: Floats, centre: Floats, turn: float) -> Piece:
    """An arc whose centre is moved so that both ends lie on it."""
    chord = end - start
    long = float(np.linalg.norm(chord))
    if long < _SHORT or abs(turn) < _STRAIGHT:
        return _line(start, end)
    normal = np.array([-chord[1], chord[0]]) / long
    middle = 0.5 * (start + end)
    fair = middle + float((centre - middle) @ normal) * normal
    return Piece(start, end, fair, turn_between(start - fair, end - fair, turn > 0)[1])


def _followed(points: Floats, tolerance: float) -> Iterator[Piece]:
    """Arcs and lines end to end along a run of points (n, 2): each as long as no corner is further off it than the
    tolerance, by its first, middle and last corner."""
    first = 0
    while first < len(points) - 1:
        best, step = _line(points[first], points[first + 1]), 1
        reach = first + 2
        while reach < len(points):
            made = _through(points[first : reach + 1])
            if made.distance(_along(points[first : reach + 1])).max() > tolerance:
                if reach - first > 3 * step:
                    break
            else:
                best, step = made, reach - first
            reach += 1
        yield best
        first += step


def _along(points: Floats) -> Floats:
    """The points of a run, and those half way between them."""
    return np.vstack([points, 0.5 * (points[1:] + points[:-1])])


def _through(points: Floats) -> Piece:
    """The arc or line through the first, middle and last of points (n, 2)."""
    start, end = points[0], points[-1]
    long = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    middle = np.array([np.interp(0.5 * long[-1], long, points[:, k]) for k in range(2)])
    chord = end - start
    rise = float(chord[0] * (middle - start)[1] - chord[1] * (middle - start)[0])
    if abs(rise) < 1e-4 * float(chord @ chord):
        return _line(start, end)
    a, b = middle - start, chord
    d = 2.0 * (a[0] * b[1] - a[1] * b[0])
    centre = start + np.array([b[1] * (a @ a) - a[1] * (b @ b), a[0] * (b @ b) - b[0] * (a @ a)]) / d
    # The middle lies to the right of the chord where the run turns left.
    return Piece(start, end, centre, turn_between(start - centre, end - centre, rise < 0)[1])


def _joints(loop: Sequence[Piece], by: float) -> list[Piece]:
    """Each piece moved, the arcs where two come apart, and both ended where they cross at a corner."""
    moved = [_moved(piece, by) for piece in loop]
    out: list[Piece] = []
    arcs: list[tuple[int, Piece]] = []
    for k, piece in enumerate(loop):
        following = (k + 1) % len(loop)
        heading, back = piece.heading(1.0), loop[following].heading(0.0)
        turn = math.atan2(heading[0] * back[1] - heading[1] * back[0], float(heading @ back))
        if abs(turn) <= _STRAIGHT:
            continue
        if turn * by > 0.0:
            corner = piece.end
            arcs.append((k, Piece(corner + by * _right(heading), corner + by * _right(back), corner, turn)))
        else:
            # Parts of both beyond their crossing may come nearer to the outline by less than can be told.
            moved[k], moved[following] = _ended(moved[k], moved[following])
    after = dict(arcs)
    for k, made in enumerate(moved):
        out += [p for p in (made, after.get(k)) if p is not None]
    return out


def _ended(one: Piece | None, other: Piece | None) -> tuple[Piece | None, Piece | None]:
    """Two pieces up to and from the place where they cross next to the end of the one and the start of the other."""
    if one is None or other is None:
        return one, other
    shares = [
        (_share(one, place), _share(other, place))
        for place in _crossings(one, other)
        if float(one.distance(place[None])[0]) < _SAME and float(other.distance(place[None])[0]) < _SAME
    ]
    if not shares:
        return one, other
    end, start = min(shares, key=lambda s: (1.0 - s[0]) * one.length + s[1] * other.length)
    return one.between(0.0, end), other.between(start, 1.0)


def _right(heading: Floats) -> Floats:
    return np.array([heading[1], -heading[0]])


def _moved(piece: Piece, by: float) -> Piece | None:
    start = piece.start + by * _right(piece.heading(0.0))
    end = piece.end + by * _right(piece.heading(1.0))
    if not piece.turn:
        return _line(start, end)
    left = piece.radius + (by if piece.turn > 0 else -by)
    return Piece(start, end, piece.centre, piece.turn) if left > _SHORT else None


def _split(piece: Piece, others: Sequence[Piece]) -> Iterator[Piece]:
    """The parts of a piece between the places where others cross it."""
    cuts = [0.0, 1.0]
    for other in others:
        for place in _crossings(piece, other):
            if float(other.distance(place[None])[0]) < _SAME and float(piece.distance(place[None])[0]) < _SAME:
                cuts.append(_share(piece, place))
    cuts.sort()
    kept = [0.0]
    for share in cuts[1:]:
        if (share - kept[-1]) * piece.length > _SHORT:
            kept.append(share)
    kept[-1] = 1.0
    for low, high in pairwise(kept):
        yield piece.between(low, high)


def _share(piece: Piece, place: Floats) -> float:
    if not piece.turn:
        way = piece.end - piece.start
        return float(np.clip((place - piece.start) @ way / (way @ way), 0.0, 1.0))
    gone = turn_between(piece.start - piece.centre, place - piece.centre, piece.turn > 0)[1] / piece.turn
    most = FULL_TURN / abs(piece.turn)
    # A hair before the start is a whole turn behind it.
    return 0.0 if gone > 0.5 * (1.0 + most) else min(gone, 1.0)


def _crossings(a: Piece, b: Piece) -> Iterator[Floats]:
    """Where the unbounded lines and circles of two pieces cross or touch."""
    if not a.turn and not b.turn:
        u, v = a.end - a.start, b.end - b.start
        d = float(u[0] * v[1] - u[1] * v[0])
        if abs(d) > 1e-12 * float(np.linalg.norm(u) * np.linalg.norm(v)):
            w = b.start - a.start
            yield a.start + u * float(w[0] * v[1] - w[1] * v[0]) / d
        return
    if a.turn and b.turn:
        off = b.centre - a.centre
        apart = float(np.linalg.norm(off))
        if apart < _SAME:
            return
        along = (apart**2 + a.radius**2 - b.radius**2) / (2.0 * apart)
        foot, way, half = a.centre + along * off / apart, np.array([-off[1], off[0]]) / apart, a.radius**2 - along**2
    else:
        line, ring = (b, a) if a.turn else (a, b)
        way = line.heading(0.0)
        foot = line.start + float((ring.centre - line.start) @ way) * way
        half = ring.radius**2 - float((foot - ring.centre) @ (foot - ring.centre))
    if half < -_SAME:
        return
    for sign in (1.0, -1.0) if half > 0.0 else (0.0,):
        yield foot + sign * math.sqrt(max(half, 0.0)) * way


def _is_clear(piece: Piece, loop: Sequence[Piece], by: float) -> bool:
    """Whether a moved piece keeps its distance from the whole loop."""
    places = np.array([piece.at(share) for share in (0.02, 0.25, 0.5, 0.75, 0.98)])
    return bool(min(p.distance(places).min() for p in loop) > by - _NEARER)


def _chained(pieces: Sequence[Piece]) -> Iterator[tuple[Piece, ...]]:
    """Closed loops of pieces end to end; what closes none is left out."""
    left = list(pieces)
    while left:
        run = [left.pop(0)]
        while math.dist(run[-1].end, run[0].start) > _NEARER:
            end = run[-1].end
            nearest = min(range(len(left)), key=lambda k: math.dist(left[k].start, end), default=None)
            if nearest is None or math.dist(left[nearest].start, end) > _NEARER:
                break
            run.append(left.pop(nearest))
        else:
            yield tuple(_closed(_merged(run)))


def _merged(run: Sequence[Piece]) -> list[Piece]:
    """Pieces of one line or one arc made one."""
    out: list[Piece] = []
    for piece in run:
        last = out[-1] if out else None
        if last is not None and _goes_on(last, piece):
            out[-1] = Piece(last.start, piece.end, last.centre, last.turn + piece.turn)
        else:
            out.append(piece)
    if len(out) > 2 and _goes_on(out[-1], out[0]):
        last = out.pop()
        out[0] = Piece(last.start, out[0].end, last.centre, last.turn + out[0].turn)
    return out


def _goes_on(one: Piece, other: Piece) -> bool:
    if bool(one.turn) != bool(other.turn):
        return False
    if one.turn:
        alike = math.dist(one.centre, other.centre) < _SAME and abs(one.radius - other.radius) < _SAME
        return alike and one.turn * other.turn > 0 and abs(one.turn + other.turn) < 0.95 * FULL_TURN
    return float(one.heading(1.0) @ other.heading(0.0)) > 1.0 - 1e-12


def _closed(run: Sequence[Piece]) -> Iterator[Piece]:
    """Each piece beginning exactly where the one before it ends."""
    for k, piece in enumerate(run):
        start = run[k - 1].end
        yield _arc(start, piece.end, piece.centre, piece.turn) if piece.turn else _line(start, piece.end)


def _least(piece: Piece, other: Piece, low: float, high: float) -> float:
    """The share of a piece's way between two where it is nearest to another, by golden section."""
    shrink = 0.5 * (math.sqrt(5.0) - 1.0)

    def off(share: float) -> float:
        return float(other.distance(piece.at(share)[None])[0])

    for _ in range(40):
        a, b = high - shrink * (high - low), low + shrink * (high - low)
        low, high = (low, b) if off(a) < off(b) else (a, high)
    return 0.5 * (low + high)


def _foot(piece: Piece, place: Floats) -> Floats:
    """The place (2,) of a piece that is nearest to another place."""
    ends = min((piece.start, piece.end), key=lambda end: math.dist(end, place))
    if not piece.turn:
        return piece.at(_share(piece, place))
    away = float(np.linalg.norm(place - piece.centre))
    if away < _SAME:
        return ends
    on = piece.centre + piece.radius / away * (place - piece.centre)
    return on if float(piece.distance(on[None])[0]) < _SAME else ends
