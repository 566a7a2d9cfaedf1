"""Outlines made larger and smaller, against closed forms and against distances."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.features.sketches import Piece, corners_and_bulges, gap_between, offset, pieces_of, turned_back
from pipeline.features.sketches.offset import area
from pipeline.values import Segment


def _box(corners: list[tuple[float, float]]) -> list[Piece]:
    places = np.array(corners, float)
    return [Piece(a, b, a, 0.0) for a, b in zip(places, np.roll(places, -1, axis=0), strict=True)]


def _rounded(w: float, h: float, r: float) -> tuple[Piece, ...]:
    ends = [((w - r, 0), (w, r)), ((w, h - r), (w - r, h)), ((r, h), (0, h - r)), ((0, r), (r, 0))]
    middles = [(w - r, r), (w - r, h - r), (r, h - r), (r, r)]
    out = []
    for k, (start, end) in enumerate(ends):
        before, s, e = (np.array(p, float) for p in (ends[k - 1][1], start, end))
        out += [Segment("line", before, s), Segment("arc", s, e, np.array(middles[k], float), r, True)]
    return pieces_of(out, 0.1)


def _wavy(seed: int) -> tuple[Piece, ...]:
    rng = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, 240)
    radius = 60 + sum(rng.normal(0, 4.0 / k) * np.sin(k * turn + rng.uniform(0, 6)) for k in (2, 3, 5, 7))
    points = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    points[-1] = points[0]
    return pieces_of([Segment("free", points[0], points[-1], points=points)], 0.1)


def _length(loop) -> float:
    return sum(piece.length for piece in loop)


def _points(loop) -> np.ndarray:
    return np.array([piece.at(share) for piece in loop for share in np.linspace(0.01, 0.99, 25)])


@pytest.mark.parametrize("by", [3.0, -3.0, -7.9])
def test_a_convex_outline_by_steiner(by: float) -> None:
    """Area of a parallel body: A + L d + pi d^2 (Steiner's formula), inwards as long as no arc has gone."""
    loop = _rounded(80.0, 50.0, 8.0)
    (made,) = offset(loop, by)
    assert area(made) == pytest.approx(area(loop) + _length(loop) * by + math.pi * by * by, rel=1e-9)
    assert sum(bool(p.turn) for p in made) == 4
    assert len(made) == 8


def test_corners_that_arcs_leave_are_sharp() -> None:
    (made,) = offset(_rounded(80.0, 50.0, 8.0), -9.0)
    assert len(made) == 4
    assert area(made) == pytest.approx(62.0 * 32.0, rel=1e-9)
    assert offset(_rounded(80.0, 50.0, 8.0), -26.0) == ()


def test_an_inner_corner() -> None:
    """An L moved out: its outer corners gain quarters of a circle, its inner one loses a square; moved in, a square is
    rounded at the inner corner: both by plain areas."""
    loop = _box([(0, 0), (60, 0), (60, 20), (20, 20), (20, 50), (0, 50)])
    (out,) = offset(loop, 5.0)
    assert area(out) == pytest.approx(area(loop) + 5 * _length(loop) + 5 * 25 * math.pi / 4 - 25, rel=1e-9)
    (inside,) = offset(loop, -5.0)
    assert area(inside) == pytest.approx(500 + 300 + 25 - 25 * math.pi / 4, rel=1e-9)


def test_what_falls_apart() -> None:
    loop = _box(
        [
            (0, 0),
            (30, 0),
            (30, 12),
            (50, 12),
            (50, 0),
            (80, 0),
            (80, 30),
            (50, 30),
            (50, 18),
            (30, 18),
            (30, 30),
            (0, 30),
        ]
    )
    assert len(offset(loop, -2.0)) == 1
    assert len(offset(loop, -4.0)) == 2


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("by", [4.0, -4.0, -11.0])
def test_cast_edges_keep_their_distance(seed: int, by: float) -> None:
    """Every place of the moved outline is as far from the first one as it was moved, and it is made of arcs, few."""
    loop = _wavy(seed)
    made = offset(loop, by)
    assert len(made) == 1
    far = np.min([piece.distance(_points(made[0])) for piece in loop], axis=0)
    assert far == pytest.approx(abs(by), abs=3e-5)
    assert len(loop) < 60
    for one, other in zip(made[0], (*made[0][1:], made[0][0]), strict=True):
        assert math.dist(one.end, other.start) < 1e-9


def test_arcs_follow_a_cast_edge_within_the_tolerance() -> None:
    turn = np.linspace(0, 2 * np.pi, 240)
    points = (60 + 3 * np.sin(5 * turn))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    points[-1] = points[0]
    loop = pieces_of([Segment("free", points[0], points[-1], points=points)], 0.1)
    assert np.min([piece.distance(points) for piece in loop], axis=0).max() <= 0.1 + 1e-9
    assert len(loop) < 40


def test_circles_and_openings() -> None:
    ring = Segment("circle", np.array([5.0, 0.0]), np.array([5.0, 0.0]), np.zeros(2), 5.0, False)
    hole = pieces_of([ring], 0.1)
    assert area(hole) == pytest.approx(-25 * math.pi)
    assert area(offset(hole, -2.0)[0]) == pytest.approx(-49 * math.pi)
    assert offset(hole, 6.0) == ()
    assert corners_and_bulges(turned_back(hole))[1] == pytest.approx((1.0, 1.0))
    assert area(turned_back(hole)) == pytest.approx(25 * math.pi)


def test_gaps_between_loops() -> None:
    """Circles: distance of their middles less both radii; a circle and a wall: less one."""
    near = Segment("circle", np.array([25.0, 9.0]), np.array([25.0, 9.0]), np.array([20.0, 9.0]), 5.0)
    far = Segment("circle", np.array([43.0, 20.0]), np.array([43.0, 20.0]), np.array([40.0, 20.0]), 3.0)
    a, b = pieces_of([near], 0.1), pieces_of([far], 0.1)
    width, on, off = gap_between(a, b)
    assert width == pytest.approx(math.hypot(20, 11) - 8.0, abs=1e-6)
    assert math.dist(on, off) == pytest.approx(width, abs=1e-6)
    assert gap_between(a, _box([(0, 0), (80, 0), (80, 60), (0, 60)]))[0] == pytest.approx(4.0, abs=1e-6)
