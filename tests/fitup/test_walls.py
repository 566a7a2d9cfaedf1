"""Walls of bodies whose thickness is known by formula, and what is none: edges, rims, wedges, what was never seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.solid import NEVER_SEEN
from pipeline.fitup import Placed, turned_body, walls
from pipeline.fitup.cuts import Cut
from pipeline.values import Surface
from tests.fitup.bodies import SIGMA, block_body, cut, standing
from tests.pierced_block import HEIGHT, WIDTH


def behind(found: Cut, least: float = 8.0):
    body = found.after.body
    return walls(found.after, least, [body.index_of(f.id) for f in found.planned], found.before)


def tube(radius: float, off: float, profile: list[tuple[float, float]]) -> Cut:
    part = standing(turned_body("block", profile, SIGMA))
    return cut(part, holes={"face": "end", "at": [[off, 0, 0]], "diameter": 2 * radius, "through": True})


def test_an_eccentric_tube_is_thinnest_where_formula_says() -> None:
    found = behind(tube(20.0, 2.0, [(0, 56), (50, 56)]))
    assert found.verdict == "too thin"
    thin = found.spots[0]
    assert thin.spot.distance == pytest.approx(28 - 2 - 20, abs=0.003)
    assert np.abs(thin.spot.places[:, 1]).max() < 0.5
    # The bore follows the end's face only: what is left hangs on the outside's radius.
    assert thin.spot.expanded == pytest.approx(2 * SIGMA, rel=0.05)
    assert thin.sounding.before == pytest.approx(56, abs=0.02)
    assert thin.sounding.after == pytest.approx(6.0, abs=0.003)
    thickest = np.nanmax(found.thickness)
    assert thickest < 10.01


def test_a_chamfered_rim_is_no_thin_wall() -> None:
    """A tube of 8 mm whose outside is chamfered by 3 mm at both ends, and whose wall is 8 mm all the same."""
    found = behind(tube(20.0, 0.0, [(0, 50), (3, 56), (47, 56), (50, 50)]), 7.0)
    assert found.verdict == "holds"
    assert found.spots[0].spot.distance == pytest.approx(8.0, abs=0.003)


def test_the_corner_of_a_slot_that_comes_near_a_bore_is_a_wall() -> None:
    part = standing(block_body(96))
    found = cut(part, pocket={"face": "right", "at": [30, 0, 10], "along": "y", "length": 10, "width": 40, "depth": 18})
    wall = behind(found, 5.0)
    # From the bore's round, radius 8, to the pocket's floor at x = 12, straight and at the pocket's corners.
    assert wall.spots[0].spot.distance == pytest.approx(4.0, abs=0.01)
    narrow = cut(part, pocket={"face": "back", "at": [10, 20, 10], "along": "x", "length": 6, "width": 40, "depth": 15})
    corner = behind(narrow, 5.0)
    assert corner.spots[0].spot.distance == pytest.approx(np.hypot(7.0, 5.0) - 8.0, abs=0.02)


def test_between_two_cuts_and_under_a_floor() -> None:
    part = standing(block_body())
    first = cut(part, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 10, "depth": 14})
    wall = behind(first, 7.0)
    assert wall.verdict == "too thin"
    # Floor to bottom 6, hole to side 30 - 25 = 5, hole to bore 15 - 8 = 7.
    told = sorted(round(s.spot.distance, 2) for s in wall.spots)
    assert told[0] == pytest.approx(5.0, abs=0.01)
    assert min(abs(t - 6.0) for t in told) < 0.01
    second = cut(first.after, holes={"face": "top", "at": [[20, 12, 20]], "diameter": 8, "depth": 14})
    between = behind(second, 4.0)
    assert min(s.spot.distance for s in between.spots) == pytest.approx(12 - 5 - 4, abs=0.005)


def test_faces_that_meet_sharply_are_no_wall() -> None:
    """A cone to a point has no wall at its tip; a plate has one of its own thickness."""
    wedge = standing(turned_body("block", [(0, 60), (20, 0.02)], SIGMA))
    found = walls(wedge, 3.0)
    assert all(s.spot.distance > 3.0 for s in found.spots)
    plate = walls(standing(turned_body("block", [(0, 60), (5, 60)], SIGMA)), 3.0)
    assert plate.spots[0].spot.distance == pytest.approx(5.0, abs=1e-6)
    assert plate.verdict == "holds"


def test_behind_what_was_never_seen_it_is_not_known() -> None:
    body = block_body()
    side = body.index_of("right")
    origin = np.where(body.labels == side, NEVER_SEEN, body.surface.origin).astype(np.uint8)
    surface = Surface(body.surface.vertices, body.surface.faces, origin)
    part = standing(
        replace(body, surface=surface, labels=np.where(body.labels == side, -1, body.labels).astype(np.int32))
    )
    found = behind(cut(part, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 10, "depth": 8}), 4.0)
    assert found.verdict == "can't be said"
    assert "never scanned" in found.why
    hidden = [s for s in found.spots if not s.seen]
    assert hidden[0].spot.distance == pytest.approx(5.0, abs=0.01)
    assert found.unknown > 10.0


def test_doubt_decides(block_walls: Placed) -> None:
    """6.02 mm that are known within 0.04: neither 6.1 nor 6.0 can be said, 5.9 holds, and 6.2 is too thin."""
    verdicts = [walls(block_walls, least, [0]).verdict for least in (5.9, 6.0, 6.1, 6.2)]
    assert verdicts == ["holds", "can't be said", "too thin", "too thin"]


@pytest.fixture
def block_walls() -> Placed:
    return standing(turned_body("block", [(0, WIDTH + HEIGHT), (6.02, WIDTH + HEIGHT)], 0.02))


def test_a_ledge_in_a_bore_is_no_way_round_through_air() -> None:
    """Behind the floor of a seat the metal is as deep as the body; a ledge beside its rim is a wall of its own sides
    only, and what lies across the bore from the rim is not behind it."""
    part = standing(turned_body("block", [(0, 80), (40, 80)], SIGMA))
    for wide, how in ((51, {"through": True}), (55, {"depth": 10}), (68, {"depth": 6.6})):
        seat = cut(part, counterbore={"axis": "axis", "face": "end", "diameter": wide, **how})
        part = seat.after
    floor = next(f.id for f in seat.planned if f.radius is None)
    found = walls(part, 5.0, [part.body.index_of(floor)])
    assert not (found.thickness < 33.0).any()
    assert not found.spots
