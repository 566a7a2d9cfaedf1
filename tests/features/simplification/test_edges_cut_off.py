"""What a scan's facets cut off edges, against closed forms: two planes and the chords between them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.features.simplification import cut_off, lightened_within, on_features
from pipeline.features.simplification.bounded_simplification import Proof
from pipeline.mesh.query import Scene
from pipeline.progress import silent
from pipeline.values import Surface

LENGTH, ROUNDED = 1.45, 0.5  # of the spacing: the longest chord, and the radius of a scanner's edges


def sheet(profile: np.ndarray, width: int = 12) -> Surface:
    """A profile (n, 2) drawn along y in steps of 1 mm, its upper side outside."""
    n = len(profile)
    points = np.array([(x, y, z) for x, z in profile for y in np.arange(float(width))])
    a = (np.array([*np.ndindex(n - 1, width - 1)]) @ [width, 1])[:, None]
    faces = np.vstack([np.hstack([a, a + width, a + width + 1]), np.hstack([a, a + width + 1, a + 1])])
    return Surface.measured(points, faces.astype(np.int32))


def roof(turn: float, side: int = 9) -> np.ndarray:
    """Two sides of points 1 mm apart that turn down by `turn` in the middle, the edge itself bridged."""
    half = 0.5 * turn
    ways = np.array([[np.cos(half), np.sin(half)], [np.cos(half), -np.sin(half)]])
    along = np.arange(side) + 0.5
    return np.concatenate([-along[::-1, None] * ways[0], along[:, None] * ways[1]])


@pytest.mark.parametrize("degrees", [30.0, 60.0, 90.0, 120.0])
def test_a_bridged_edge_is_told_by_its_turn_and_the_spacing(degrees: float) -> None:
    """The middle of the longest chord over an edge of turn a is l / 2 sin(a / 2) from its sides, and an arc of radius r
    between them r (1 - cos(a / 2)): worked here by hand. Facets of 1 mm cut off no more than is told."""
    half = np.radians(degrees) / 2
    bent = sheet(roof(2 * half))
    found = cut_off(bent.vertices, bent.faces, np.ones(bent.facets, bool), 1.0)
    expected = 0.5 * LENGTH * np.sin(half) + ROUNDED * (1.0 - np.cos(half))
    assert found.max() == pytest.approx(expected, rel=1e-6)
    beside = np.abs(bent.vertices[:, 0]) < 0.6
    assert (found[beside] > 0.9 * expected).all()
    assert found[np.abs(bent.vertices[:, 0]) > 3.0].max() == pytest.approx(0.0, abs=1e-6)
    # The chord that is there is 2 * 0.5 cos(a / 2) long.
    assert 0.5 * np.cos(half) * np.sin(half) <= found.max()


def test_both_sides_of_the_longest_chord_see_the_whole_edge() -> None:
    """One bevel, as wide as a chord may be, between two sides at a right angle: its ends lie on one side each."""
    half, down = 0.5 * (LENGTH - 0.01), np.arange(1.0, 6.0) / np.sqrt(2.0)
    right = np.concatenate([[[half, 0.0]], np.column_stack([half + down, -down])])
    bevel = sheet(np.concatenate([right[::-1] * [-1.0, 1.0], right]))
    found = cut_off(bevel.vertices, bevel.faces, np.ones(bevel.facets, bool), 1.0)
    expected = 0.5 * LENGTH * np.sin(np.pi / 4) + ROUNDED * (1.0 - np.cos(np.pi / 4))
    assert found[np.isclose(np.abs(bevel.vertices[:, 0]), half)] == pytest.approx(expected, rel=1e-6)


def test_a_facet_that_lies_folded_is_no_turn_of_an_edge() -> None:
    """One facet over the edge that is turned about: from it to others the surface seems to turn by more than a right
    angle."""
    bent = sheet(roof(np.pi / 2))
    over = np.flatnonzero(np.abs(bent.vertices[bent.faces][:, :, 0]).max(axis=1) < 0.6)
    turned = bent.faces.copy()
    turned[over[6]] = turned[over[6], ::-1]
    folded = np.zeros(bent.facets, bool)
    folded[over[6]] = True
    every, at = np.ones(bent.facets, bool), turned[over[6]]
    expected = 0.5 * LENGTH * np.sin(np.pi / 4) + ROUNDED * (1.0 - np.cos(np.pi / 4))
    assert cut_off(bent.vertices, turned, every, 1.0)[at].max() > 1.4 * expected
    assert cut_off(bent.vertices, turned, every, 1.0, folded)[at] == pytest.approx(expected, rel=1e-6)


def test_a_dent_beside_an_edge_does_not_hide_it() -> None:
    """A vertex next to a right-angled edge that lies 1.5 mm deep: its own facets turn inwards by more than the edge."""
    bent = sheet(roof(np.pi / 2))
    expected = 0.5 * LENGTH * np.sin(np.pi / 4) + ROUNDED * (1.0 - np.cos(np.pi / 4))
    points = bent.vertices.copy()
    rows = points.reshape(-1, 12, 3)
    at = int(np.flatnonzero(rows[:, 0, 0] > 0)[0]) * 12 + 6
    assert cut_off(points, bent.faces, np.ones(bent.facets, bool), 1.0)[at] == pytest.approx(expected, rel=1e-6)
    points[at, 2] -= 1.5
    assert cut_off(points, bent.faces, np.ones(bent.facets, bool), 1.0)[at] >= 0.99 * expected


def test_hollow_edges_and_those_of_features_are_none() -> None:
    bent = sheet(roof(np.pi / 2))
    every = np.ones(bent.facets, bool)
    assert not cut_off(bent.vertices, bent.faces[:, ::-1].copy(), every, 1.0).any()
    assert not cut_off(bent.vertices, bent.faces, ~every, 1.0).any()
    assert not cut_off(bent.vertices, bent.faces, every, 0.0).any()


def test_a_large_radius_cuts_off_little() -> None:
    """A quarter of a cylinder of 40 mm: what turns within 1 mm of a vertex is 3 of 1 mm at most, 3 / 40 rad."""
    angles = np.linspace(-np.pi / 4, np.pi / 4, 64)
    bent = sheet(40.0 * np.column_stack([np.sin(angles), np.cos(angles)]))
    assert cut_off(bent.vertices, bent.faces, np.ones(bent.facets, bool), 1.0).max() < 0.5 * LENGTH * 3.5 / 80


def test_a_light_mesh_lies_no_farther_within_an_edge_than_its_share() -> None:
    """A disk's rim of 20 mm radius, cut off by facets of 1 mm: without shares chords of it take the whole tolerance."""
    turn, tolerance = np.radians(np.arange(0, 360, 3.0)), 0.3
    rings = [(r, 10.0) for r in np.arange(15.0, 20.0)] + [(20.0, z) for z in np.arange(9.5, 4.0, -1.0)]
    points = np.array([(r * np.cos(t), r * np.sin(t), z) for t in turn for r, z in rings])
    n, m = len(turn), len(rings)
    k, j = np.meshgrid(np.arange(n), np.arange(m - 1), indexing="ij")
    a, b = (k * m + j).ravel(), (((k + 1) % n) * m + j).ravel()
    disk = Surface.measured(points, np.vstack([np.c_[a, a + 1, b], np.c_[b, a + 1, b + 1]]).astype(np.int32))
    target = on_features(points, disk.faces, np.full(disk.facets, -1, np.int32), (), 1e-6)
    rim = np.isclose(np.tile([r for r, _ in rings], n), 19.0) & np.isclose(points[:, 2], 10.0)
    rim |= np.isclose(points[:, 2], 9.5)
    off, facets = [], []
    less = np.where(rim, 0.2, 1.0)
    for shares, check in ((None, False), (less, False), (less, True)):
        work = lightened_within(disk, target, tolerance, 4, silent, shares=shares, check_sweeps=check).work
        off.append(Scene(Surface(work.points, work.faces, work.origin)).distance(points[rim]).max())
        facets.append(len(work.faces))
    assert off[0] > 0.2 * tolerance
    assert max(off[1:]) <= 0.2 * tolerance
    assert max(facets[1:]) < 0.5 * disk.facets


def test_between_the_vertices_of_an_edge_a_light_mesh_lies_no_farther_within_than_their_share() -> None:
    """A mesh that has all its scan's vertices and the middles of its edges, one of these 0.15 mm off: of a tolerance of
    0.5 mm that is too far within where the share is 0.25, but not where it stands out, nor where the share is 1."""
    scan, fine = sheet(roof(np.pi / 2), 7), sheet(roof(np.pi / 2), 13)
    points = fine.vertices * [1.0, 0.5, 1.0]
    middle, up = 11 * 13 + 5, np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0)
    target = on_features(scan.vertices, scan.faces, np.full(scan.facets, -1, np.int32), (), 1e-6)
    for out, share, bad in ((-0.15, 0.25, True), (-0.15, 1.0, False), (0.15, 0.25, False)):
        made = points.copy()
        made[middle] += out * up
        proof = Proof(scan, target, 0.5, np.full(len(scan.vertices), share))
        proof.begin(fine.facets)
        every = np.arange(fine.facets, dtype=np.int32)
        light = SimpleNamespace(points=made, faces=fine.faces, label=np.full(fine.facets, -1), origin=fine.origin)
        assert proof.measure(light, every, np.ones(fine.facets, bool)) == pytest.approx(0.15, rel=1e-6)
        found = proof.bad()
        assert bool(len(found)) == bad
        assert (fine.faces[found] == middle).any(axis=1).all()
