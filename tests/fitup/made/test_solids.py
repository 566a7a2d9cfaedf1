"""Descriptions of made parts, against closed forms.

Covers: pipeline.fitup.made.part
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.fitup.made.solids import Outline, Prism, Step, Turned, around_discs, circle, cylinder, mirrored, volume_of
from pipeline.geometry import signed_area


@pytest.mark.parametrize("seed", range(6))
def test_the_outline_round_discs_is_the_smallest_convex_one(seed: int) -> None:
    """Its distance in each direction is that of the farthest disc: the support function of a convex hull is the largest
    of its members' (textbook convex geometry)."""
    rng = np.random.default_rng(seed)
    discs = [(*rng.uniform(-80, 80, 2), rng.uniform(3, 15)) for _ in range(5)]
    outline = around_discs([(float(x), float(y), float(r)) for x, y, r in discs])
    points = outline.points(1e-4)
    ways = np.linspace(0, 2 * np.pi, 97)
    ways = np.column_stack([np.cos(ways), np.sin(ways)])
    at = np.array(discs)
    assert (points @ ways.T).max(axis=0) == pytest.approx((at[:, 2:] + at[:, :2] @ ways.T).max(axis=0), abs=2e-4)
    assert signed_area(points) == pytest.approx(outline.area, rel=1e-5)


def test_a_disc_within_another_one_leaves_a_circle() -> None:
    assert around_discs([(0.0, 0.0, 20.0), (5.0, 5.0, 3.0)]).area == pytest.approx(400 * np.pi)


def test_closed_volumes() -> None:
    """A torus of square section by Pappus; a cone frustum h (R2 + R r + r2) pi / 3; a slot's area."""
    ring = Turned(((0.0, 8.0), (4.0, 8.0), (4.0, 12.0), (0.0, 12.0)))
    assert volume_of(ring) == pytest.approx(2 * np.pi * 10 * 16)
    frustum = Turned(((0.0, 0.0), (9.0, 0.0), (9.0, 2.0), (0.0, 5.0)))
    assert volume_of(frustum) == pytest.approx(9 * (25 + 10 + 4) * np.pi / 3)
    slot = Outline(((-10, -4), (10, -4), (10, 4), (-10, 4)), (0.0, 1.0, 0.0, 1.0))
    assert volume_of(Prism(slot, 1.0, 4.0)) == pytest.approx(3 * (160 + 16 * np.pi))


def test_turned_over_twice_is_the_same() -> None:
    outline = Outline(((0, 0), (9, 0), (9, 5), (0, 5)), (0.0, 0.3, 0.0, -0.2))
    steps = [Step("add", Prism(outline, 0, 3, (circle(4, 2, 1),)), "a"),
             Step("take", cylinder(np.array([3.0, 1, 0]), np.array([0.2, 0.1, 1.0]), 1.0, 4.0), "b")]  # fmt: skip
    once, twice = mirrored(steps), mirrored(mirrored(steps))
    assert isinstance(once[0].solid, Prism)
    assert once[0].solid.outline.area == pytest.approx(outline.area)
    for step, again in zip(steps, twice, strict=True):
        assert again.solid.place == pytest.approx(step.solid.place)
        if isinstance(step.solid, Prism):
            assert isinstance(again.solid, Prism)
            assert again.solid.outline.points(0.01) == pytest.approx(step.solid.outline.points(0.01))
    over = once[1].solid.place
    assert np.linalg.det(over[:3, :3]) == pytest.approx(1.0)
    assert over[:3, 2] * [-1, 1, 1] == pytest.approx(steps[1].solid.place[:3, 2])
