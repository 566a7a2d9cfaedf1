"""Streaming: a large mesh goes down window by window, and comes out as one that is still whole.

Covers: pipeline.mesh.simplify.sweeps
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.edge_collapse import finish_collapse, start_collapse
from pipeline.mesh.simplify.streaming import Streaming
from pipeline.mesh.simplify.sweeps import Sweeps
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.morton_order import in_morton_order
from pipeline.surfaces import ROW

RADIUS = 30.0
WANTED = 3000
NOTHING = np.zeros((0, ROW))


@pytest.fixture(scope="module")
def ball() -> tuple[np.ndarray, np.ndarray]:
    """A noisy ball of 327,680 facets, a twentieth of it cut off, in the order in which readers give it."""
    made = trimesh.creation.icosphere(subdivisions=7, radius=RADIUS)
    away = np.random.default_rng(0).normal(0.0, 0.012, (len(made.vertices), 1))
    vertices = made.vertices + made.vertex_normals * away
    faces = made.faces[made.triangles_center[:, 2] < 0.9 * RADIUS]
    used, faces = np.unique(faces, return_inverse=True)
    vertices, faces, _ = in_morton_order(vertices[used], faces.reshape(-1, 3).astype(np.int32))
    return vertices, faces


def _bare(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, ...]:
    n, m = len(vertices), len(faces)
    free = np.full((n, 3), -1, np.int16)
    return vertices, faces, np.full(m, -1, np.int32), np.zeros(m, np.uint8), free, NOTHING


def _down(streaming: Streaming, ball: tuple[np.ndarray, np.ndarray], still: np.ndarray | None = None) -> CollapseMesh:
    return streaming.down(*_bare(*ball), still=still)


def test_a_ball_with_an_opening_comes_out_whole_and_round(ball: tuple[np.ndarray, np.ndarray]) -> None:
    before = [array.copy() for array in ball]
    work = _down(Streaming(WANTED), ball)
    finish_collapse(work, 2 * WANTED // 3)
    assert all(np.array_equal(was, now) for was, now in zip(before, ball, strict=True))
    mesh = trimesh.Trimesh(work.points, work.faces, process=False)
    report = edge_report(work.faces, len(work.points))
    assert (report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate) == (0, 0, 0, 0)
    assert mesh.is_winding_consistent
    assert mesh.euler_number == 1
    # The opening's border is a circle in the plane z = 0.9 R, to within the facets of the start (0.6 mm).
    rim = work.points[work.border > 0]
    assert np.abs(rim[:, 2] - 0.9 * RADIUS).max() < 0.6
    # A sphere's chord over a facet of circumradius c sags by R - sqrt(R^2 - c^2); 2000 equal facets on 95 % of it have
    # sides of 3.5 mm and so sag by 0.07 mm; twice that is left for unequal ones, and the noise's reach.
    off = np.abs(np.linalg.norm(mesh.triangles_center, axis=1) - RADIUS)
    assert off.max() < 2 * 0.07 + 5 * 0.012


def test_done_again_only_what_changed_is_different(ball: tuple[np.ndarray, np.ndarray]) -> None:
    vertices, _ = ball
    still = np.linalg.norm(vertices - [0.0, 0.0, -RADIUS], axis=1) < 2.0
    streaming = Streaming(WANTED)
    first = _down(streaming, ball)
    again = _down(streaming, ball)
    assert np.array_equal(first.points, again.points)
    assert np.array_equal(first.faces, again.faces)
    held = _down(streaming, ball, still)
    anew = Streaming(WANTED)
    anew._limits = streaming._limits
    for one in (held, _down(anew, ball, still)):
        kept = {tuple(point) for point in one.points[one.still > 0]}
        assert kept == {tuple(point) for point in vertices[still]}
        report = edge_report(one.faces, len(one.points))
        assert (report.nonmanifold, report.inconsistent, report.degenerate) == (0, 0, 0)
    assert np.array_equal(held.points, _down(anew, ball, still).points)


def test_vertices_put_onto_neighbours_stay_where_they_were_measured(ball: tuple[np.ndarray, np.ndarray]) -> None:
    vertices, faces = ball
    work = start_collapse(*_bare(vertices, faces))
    whole = work.quadrics[:, [0, 3, 5]].sum()
    sweeps = Sweeps(work)
    limit = float(np.quantile(sweeps.prices_onto(), 0.9))
    gone = sweeps.go_onto(limit)
    sweeps.done()
    assert len(work.faces) == len(faces) - gone
    assert gone > 0.25 * len(faces)
    assert {tuple(point) for point in work.points} <= {tuple(point) for point in vertices}
    # What the planes of all facets weigh (a quadric's trace: area, and squared border lengths) is handed on.
    assert work.quadrics[:, [0, 3, 5]].sum() == pytest.approx(whole, rel=1e-9)
    report = edge_report(work.faces, len(work.points))
    assert (report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate) == (0, 0, 0, 0)
