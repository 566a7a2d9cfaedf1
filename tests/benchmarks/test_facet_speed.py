"""What distance, travel and maps of many facets cost, in CPU seconds, and that they are right.

Bounds of the job, a million facets against a million: 3 s to build a tree, 2 s for a distance, 20 s for a travel; of
100,000 against 100,000: 5 s for a map of 21 x 21.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import pytest

from pipeline.fitup import Body, Item, Placed, placed
from pipeline.fitup.motions import Motion, travel
from pipeline.geometry import Floats, Ints, rigid
from pipeline.mesh.query import (
    facet_tree,
    first_contact,
    first_contact_turning,
    nearest_facets,
    turn_tree,
)
from pipeline.surfaces import SituationFeature
from pipeline.values import Surface

UP = np.array([0.0, 0.0, 1.0])
X = np.array([1.0, 0.0, 0.0])
T = TypeVar("T")
FACETS = 1_000_000

pytestmark = pytest.mark.slow


def cpu(work: Callable[[], T]) -> tuple[float, T]:
    before = time.process_time()
    out = work()
    return time.process_time() - before, out


def tube(radius: float, length: float, facets: int, noise: float = 0.0, shift: float = 0.0) -> tuple[Floats, Ints]:
    """A cylinder's wall of near square cells about z, with noise of its radius."""
    around = round(np.sqrt(facets / 2 * 2 * np.pi * radius / length))
    along = round(facets / 2 / around)
    angle, station = np.meshgrid(2 * np.pi * (np.arange(around) + shift) / around, np.linspace(0, length, along + 1))
    r = radius + np.random.default_rng(3).normal(0.0, noise, angle.shape) if noise else radius
    vertices = np.column_stack([(r * np.cos(angle)).ravel(), (r * np.sin(angle)).ravel(), station.ravel()])
    a = (np.arange(along)[:, None] * around + np.arange(around)).ravel()
    b = (np.arange(along)[:, None] * around + (np.arange(around) + 1) % around).ravel()
    return vertices, np.vstack([np.column_stack([a, b, b + around]), np.column_stack([a, b + around, a + around])])


def ball(radius: float, facets: int) -> tuple[Floats, Ints]:
    """A ball by latitude and longitude, the poles left open."""
    vertices, faces = tube(1.0, 1.0, facets)
    tilt = np.pi * (0.02 + 0.96 * vertices[:, 2])
    return radius * np.column_stack([vertices[:, :2] * np.sin(tilt)[:, None], np.cos(tilt)]), faces


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    small = tube(10.0, 20.0, 2000)
    tree, turning = facet_tree(*small), turn_tree(*small, np.zeros(3), UP)
    nearest_facets(tree, tree)
    first_contact(tree, tree, UP, 1.0)
    first_contact_turning(turning, turning, 1.0)


@pytest.mark.parametrize("what", ["walls 2.4 mm apart", "balls", "shaft in its bore", "noisy walls"])
def test_distance_of_a_million_facets(what: str) -> None:
    one, other, least = {
        "walls 2.4 mm apart": (tube(30.0, 80.0, FACETS), tube(32.4, 80.0, FACETS, shift=0.3), 2.4),
        "balls": (ball(40.0, FACETS), ball(42.4, FACETS), 2.4),
        "shaft in its bore": (tube(19.98, 90.0, FACETS), tube(20.0, 60.0, FACETS, shift=0.4), 0.02),
        "noisy walls": (tube(30.0, 80.0, FACETS, 0.013), tube(32.4, 80.0, FACETS, 0.013), 2.4),
    }[what]
    built, trees = cpu(lambda: (facet_tree(*one), facet_tree(*other)))
    took, near = cpu(lambda: nearest_facets(*trees))
    assert near is not None
    print(f"{what}: {near.distance:.5f} mm, built in {built / 2:.2f} s a million, found in {took:.2f} s")
    assert near.distance <= least + 1e-9
    assert near.distance > least - (0.14 if what == "noisy walls" else 2e-3)
    assert built / 2 < 3.0
    assert took < 2.0


@pytest.mark.parametrize("gap", [0.0, 0.015])
def test_travel_of_a_shaft_along_its_bore(gap: float) -> None:
    """The worst there is: nothing stops it before the end, and everything is near all the way."""
    shaft, bore = tube(19.98, 90.0, FACETS), tube(20.0, 60.0, FACETS, shift=0.4)
    trees = facet_tree(*shaft), facet_tree(*bore)
    took, found = cpu(lambda: first_contact(*trees, UP, 200.0, gap))
    print(f"along its bore, gap {gap}: {took:.2f} s")
    assert found is None
    assert took < 20.0


def test_travel_across_a_wide_bore() -> None:
    """Walls 2.4 mm apart that meet sideways, to the sagitta of their facets."""
    one, other = tube(30.0, 80.0, FACETS), tube(32.4, 80.0, FACETS, shift=0.3)
    took, found = cpu(lambda: first_contact(facet_tree(*one), facet_tree(*other), X, 50.0, 0.5))
    print(f"across, with trees: {took:.2f} s")
    assert found is not None
    assert 1.9 - 1e-3 < found.run <= 1.9 + 1e-6
    assert took < 20.0


@pytest.mark.parametrize("off", [0.0, 0.01])
def test_turn_of_a_shaft_in_its_bore(off: float) -> None:
    """Full turns, on its axis and a little beside it."""
    shaft, bore = tube(19.98, 90.0, FACETS), tube(20.0, 60.0, FACETS, shift=0.4)
    took, found = cpu(
        lambda: first_contact_turning(
            turn_tree(shaft[0] + off * X, shaft[1], np.zeros(3), UP),
            turn_tree(*bore, np.zeros(3), UP),
            2 * np.pi,
            0.005,
        )
    )
    print(f"full turn, {off} mm beside its axis, with trees: {took:.2f} s")
    assert found is None
    assert took < 20.0


def test_map_of_travel_and_tilt() -> None:
    """A noisy shaft of D58 in a bore of D64, sideways and tilted about its middle, with the run and what stops it."""
    bodies = []
    for name, radius, length, low in (("shaft", 29.0, 90.0, -20.0), ("bore", 32.0, 60.0, 0.0)):
        surface = Surface.measured(*tube(radius, length, 100_000, 0.013))
        part = Body(name, surface, np.full(surface.facets, -1, np.int32), (), skin=0.01, closed=False)
        bodies.append(Placed(part, placed([], rigid(np.eye(3), low * UP))))
    shaft, bore = bodies
    way = Motion(Item(SituationFeature.AXIS, np.zeros(3), X), False)
    tilt = Motion(Item(SituationFeature.AXIS, 30.0 * UP, np.array([0.0, 1.0, 0.0])), True)
    steps = np.radians(np.linspace(-2.4, 2.4, 21))
    took, found = cpu(lambda: travel(shaft, {"bore": bore}, way, 5.0, (1, -1), 0.5, second=(tilt, steps)).map)
    print(f"map: {took:.2f} s")
    assert found is not None
    # Untilted it goes until 0.5 of the 3 mm are left, tilted by so much less as the bore's ends come nearer.
    for angle, (_, forward) in zip(steps, found.limits, strict=True):
        assert forward == pytest.approx(2.5 - 30.0 * np.tan(abs(angle)), abs=0.15)
    assert took < 5.0
