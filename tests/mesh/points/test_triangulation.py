"""Points made into facets: what a scanner's own facets are, with none moved and no gap bridged.

Covers: pipeline.mesh.points.triangulation, pipeline.mesh.points.stars, pipeline.mesh.points.pin_holes
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import Delaunay

from pipeline.mesh.points import triangulated
from pipeline.mesh.topology import boundary_loops, components, facet_neighbours


def test_on_a_plane_it_is_the_delaunay_triangulation() -> None:
    """Beside Qhull, in the plane: all facets but those at the convex hull's rim, which bridge what was not seen."""
    draw = np.random.default_rng(4)
    points = np.array([*np.ndindex(30, 30)], float) + draw.uniform(-0.35, 0.35, (900, 2))
    made = triangulated(np.column_stack([points, np.zeros(900)]))
    theirs = {tuple(sorted(t)) for t in Delaunay(points).simplices.tolist()}
    ours = {tuple(sorted(t)) for t in made.faces.tolist()}
    inner = {t for t in theirs if (np.abs(points[list(t)] - 14.5) < 12.0).all()}
    assert len(ours - theirs) <= made.closed < 20
    assert len(inner - ours) <= made.closed


def test_a_perfect_grid_has_two_facets_a_square() -> None:
    """All four corners of a square lie on one circle: the stars have to break the tie the same way."""
    made = triangulated(np.array([*np.ndindex(40, 40, 1)], float))
    assert len(made.faces) == 2 * 39 * 39


def test_a_thin_ring_and_a_hole_keep_their_rims() -> None:
    """A disc with a hole of five spacings and one of a single missing point: the one is a rim, the other is none."""
    lattice = np.array([(i + 0.5 * (j % 2), j * np.sqrt(0.75), 0.0) for i in range(-20, 20) for j in range(-22, 23)])
    lattice += 0.02 * np.random.default_rng(2).normal(size=lattice.shape)
    away = np.linalg.norm(lattice, axis=1)
    keep = (away < 15.0) & (away > 4.0)
    keep[np.argmin(np.abs(away - 9.0))] = False
    made = triangulated(lattice[keep])
    loops = boundary_loops(made.faces, int(keep.sum()))
    assert len(loops) == 2


def test_edges_of_a_box_are_closed() -> None:
    """A noisy box, where tangent planes of neighbours differ most: one closed surface on all its points."""
    box = trimesh.creation.box((20.0, 16.0, 12.0))
    box = box.subdivide_to_size(0.9)
    points = np.unique(np.round(box.vertices, 6), axis=0)
    points += 0.01 * np.random.default_rng(6).normal(size=points.shape)
    made = triangulated(points)
    open_edges = np.count_nonzero(facet_neighbours(made.faces, len(points)) < 0)
    assert open_edges < 0.003 * 3 * len(made.faces)
    solid = trimesh.Trimesh(points, made.faces, process=False)
    assert abs(solid.area - 2 * (320 + 240 + 192)) < 15.0
    assert solid.volume > 0.0


def test_two_walls_a_few_spacings_apart_stay_apart() -> None:
    rows = np.array([*np.ndindex(30, 30, 1)], float)
    both = np.vstack([rows, rows + np.array([0.3, 0.4, 3.5])])
    both += 0.02 * np.random.default_rng(8).normal(size=both.shape)
    made = triangulated(both)
    assert ((made.faces < 900).all(axis=1) | (made.faces >= 900).all(axis=1)).all()
    assert len(made.faces) > 0.99 * 4 * 29 * 29


@pytest.mark.parametrize("seed", range(3))
def test_a_rough_sheet_is_one_piece_with_hardly_a_hole(seed: int) -> None:
    """Noise of a fifth of the spacing, where stars disagree most: facets that three agreed on in the middle of a hole
    are no pieces of their own, which kept the hole open, and what closes it takes in the points that lie in it."""
    draw = np.random.default_rng(seed)
    points = np.column_stack(
        [np.array([*np.ndindex(120, 120)]) + draw.uniform(-0.4, 0.4, (14400, 2)), 0.2 * draw.standard_normal(14400)]
    )
    faces = triangulated(points).faces
    assert components(facet_neighbours(faces, len(points))).max() == 0
    assert len(boundary_loops(faces, len(points))) <= 5
    assert len(np.unique(faces)) >= len(points) - 3


def test_no_points_that_make_a_surface() -> None:
    line = np.column_stack([np.arange(9.0), np.zeros(9), np.zeros(9)])
    assert len(triangulated(line).faces) == 0
