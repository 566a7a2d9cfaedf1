"""Chords along edges, against a body known exactly: a disk, within which a point is as deep as the nearer of its radius
and its height says."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.simplification import brought_out, cut_off
from pipeline.mesh.query import Scene, grid_points, self_intersections
from pipeline.mesh.topology import facet_normals
from pipeline.values import Surface

RADIUS, HEIGHT, TOLERANCE = 20.0, 10.0, 0.5
CHORDS = 24


def disk(turns: int, cut: float = 0.5) -> Surface:
    """The upper rim of a disk, its edge cut off by facets from `cut` mm on one side to `cut` mm on the other."""
    turn = 2.0 * np.pi * np.arange(turns) / turns
    rings = [(r, HEIGHT) for r in (15.0, 16.0, 17.0, 18.0, 19.0, RADIUS - cut)]
    rings += [(RADIUS, z) for z in (HEIGHT - cut, 9.0, 8.0, 7.0, 6.0, 5.0)]
    points = np.array([(r * np.cos(t), r * np.sin(t), z) for t in turn for r, z in rings])
    n, m = turns, len(rings)
    k, j = np.meshgrid(np.arange(n), np.arange(m - 1), indexing="ij")
    a, b = (k * m + j).ravel(), (((k + 1) % n) * m + j).ravel()
    return Surface.measured(points, np.vstack([np.c_[a, a + 1, b], np.c_[b, a + 1, b + 1]]).astype(np.int32))


def depth(points: np.ndarray) -> np.ndarray:
    """mm that points are within the exact disk; less than nothing outside it."""
    return np.minimum(RADIUS - np.linalg.norm(points[:, :2], axis=1), HEIGHT - points[:, 2])


def deepest(points: np.ndarray, faces: np.ndarray) -> float:
    """mm: the most that facets near the rim are within the exact disk."""
    places, _ = grid_points(points, faces, np.full(len(faces), 12))
    return float(depth(places[np.hypot(RADIUS - np.hypot(*places[:, :2].T), HEIGHT - places[:, 2]) < 1.0]).max())


@pytest.fixture(scope="module")
def rim() -> tuple[Surface, np.ndarray, Surface]:
    """A scan of the disk, what it may have cut off, and a light mesh of it with chords of 15 degrees."""
    scan = disk(120)
    return scan, cut_off(scan.vertices, scan.faces, np.ones(scan.facets, bool), 1.0), disk(CHORDS)


def moved(light: Surface, scan: Surface, lost: np.ndarray, free: np.ndarray | None = None) -> np.ndarray:
    free = np.ones(len(light.vertices), bool) if free is None else free
    every = np.ones(light.facets, bool)
    return brought_out((light.vertices, light.faces), every, free, scan, lost, 1.0, TOLERANCE)


def test_chords_of_a_rim_come_out_by_what_they_lie_within_the_scan(rim: tuple[Surface, np.ndarray, Surface]) -> None:
    """A chord of angle a is r (1 - cos(a / 2)) within its arc. Half an edge of 0.5 mm is missing from the scan, whose
    bevel is 0.25 mm within the disk; a bevel that is off by s on one of its two sides is s / 2 deeper."""
    scan, lost, light = rim
    sagitta = RADIUS * (1.0 - np.cos(np.pi / CHORDS))
    assert sagitta == pytest.approx(0.171, abs=1e-3)
    assert deepest(scan.vertices, scan.faces) == pytest.approx(0.25, abs=0.02)
    before = deepest(light.vertices, light.faces)
    assert before == pytest.approx(0.25 + 0.5 * sagitta, abs=0.01)
    out = moved(light, scan, lost)
    # A fifth of the tolerance is what a vertex may stand out of the scan.
    assert deepest(out, light.faces) < before - 0.3 * 0.2 * TOLERANCE
    way = out - light.vertices
    _, facet, foot = Scene(scan).closest(out)
    up = np.einsum("ij,ij->i", out - foot, facet_normals(scan.vertices, scan.faces[facet]))
    assert up.max() <= 0.2 * TOLERANCE + 1e-9
    assert 0.0 < np.linalg.norm(way, axis=1).max() <= 0.24 * TOLERANCE + 1e-9
    assert not len(self_intersections(out, light.faces))
    # Nothing but what bounds facets at the rim.
    assert not way[np.hypot(RADIUS - np.hypot(*light.vertices[:, :2].T), HEIGHT - light.vertices[:, 2]) > 2.0].any()


def test_what_is_no_edge_or_may_not_move_stays(rim: tuple[Surface, np.ndarray, Surface]) -> None:
    scan, lost, light = rim
    assert (moved(light, scan, 0.4 * lost) == light.vertices).all()
    assert (moved(light, scan, lost, np.zeros(len(light.vertices), bool)) == light.vertices).all()
    free = np.arange(len(light.vertices)) % 2 == 0
    out = moved(light, scan, lost, free)
    assert (out[~free] == light.vertices[~free]).all()


def test_a_light_mesh_as_fine_as_the_scan_stays() -> None:
    scan = disk(120)
    lost = cut_off(scan.vertices, scan.faces, np.ones(scan.facets, bool), 1.0)
    assert (moved(scan, scan, lost) == scan.vertices).all()


def test_what_stands_out_of_the_scan_stays(rim: tuple[Surface, np.ndarray, Surface]) -> None:
    """A light mesh that is the scan's own, 0.2 mm farther out all round."""
    scan, lost, light = rim
    outer = light.vertices + 0.2 * np.column_stack(
        [light.vertices[:, :2] / np.hypot(*light.vertices[:, :2].T)[:, None], np.ones(len(light.vertices))]
    )
    assert (moved(Surface(outer, light.faces, light.origin), scan, lost) == outer).all()


def test_beside_what_stands_out_far_nothing_is_brought_out_more(rim: tuple[Surface, np.ndarray, Surface]) -> None:
    """One vertex of the rim 0.45 mm off it, of 0.5 mm: its facets' corners, which else would move, stay."""
    scan, lost, light = rim
    at = int(np.flatnonzero((moved(light, scan, lost) != light.vertices).any(axis=1))[0])
    points = light.vertices.copy()
    points[at] += 0.45 * np.append(points[at, :2] / np.hypot(*points[at, :2]), 1.0) / np.sqrt(2.0)
    out = moved(Surface(points, light.faces, light.origin), scan, lost)
    beside = np.unique(light.faces[(light.faces == at).any(axis=1)])
    assert (out[beside] == points[beside]).all()
    assert (out != points).any()
