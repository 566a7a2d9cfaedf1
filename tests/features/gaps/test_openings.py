"""Telling gaps apart: rims found and taken apart, what each lies on, and charts that patches are laid out in."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from pipeline.features.gaps.openings import band_of, find_rims, name_gaps, rings_of
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.mesh.topology.components import compact
from pipeline.surfaces import chart_of, height_of, signed_distance, surface_normal
from pipeline.surfaces.kernels import project
from pipeline.surfaces.shape import Shape
from pipeline.values.surface import Surface
from tests.stages.test_fill import EDGE, outside, pipe, sheet, wavy

AXIS = np.array([0.3, -0.5, np.sqrt(1 - 0.34)])
SHAPES = (
    Shape("plane", np.ones(3), AXIS),
    Shape("cylinder", np.ones(3), AXIS, 9.0),
    Shape("cone", np.ones(3), AXIS, 9.0, 0.5),
    Shape("sphere", np.ones(3), None, 9.0),
    Shape("torus", np.ones(3), AXIS, 3.0, None, 12.0),
)


def rims_of(v, f):
    v, f, _ = compact(v, np.ascontiguousarray(f))
    surface = Surface.measured(v, f)
    rims, stands_for = find_rims(surface, facet_neighbours(f, len(v)))
    return surface, rims, stands_for


def named(v, f, shapes=(), labels=None):
    surface, rims, _ = rims_of(v, f)
    labels = np.full(surface.facets, -1, np.int32) if labels is None else labels
    return name_gaps(surface, rims, band_of(surface, rims, labels), shapes, 0.0)


@pytest.mark.parametrize("outward", [1.0, -1.0])
@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.kind)
def test_chart_goes_there_and_back_and_is_seen_from_outside(shape, outward):
    rng = np.random.default_rng(0)
    near = project(shape, np.array([[8.0, 3.0, 5.0]]))[0]
    chart = chart_of(shape, near, outward)
    places = chart.flatten(near[None]) + rng.uniform(-2, 2, (50, 2))
    points = chart.lift(places)
    assert np.abs(signed_distance(shape, points)).max() < 1e-9
    assert np.abs(chart.flatten(points) - places).max() < 1e-9
    step = 1e-5
    along = [(chart.lift(places + d) - points) / step for d in np.eye(2) * step]
    sizes = np.linalg.norm(along, axis=2)
    # Lengths are kept on what can be unrolled; a torus' circles stretch by their radius against that at
    # `near`, a sphere's stereographic plane by 1 / (1 + (distance / diameter)^2) either way.
    expected = np.ones((2, len(places)))
    if shape.kind == "torus":
        reach = [np.linalg.norm(np.cross(p - shape.point, AXIS), axis=-1) for p in (points, near)]
        expected[0] = reach[0] / reach[1]
    if shape.kind == "sphere":
        expected[:] = 1.0 / (1.0 + np.sum(places**2, axis=1) / 18.0**2)
    assert np.abs(sizes - expected).max() < 1e-4
    seen = np.einsum("ij,ij->i", np.cross(*along), surface_normal(shape, points)) * outward
    assert (seen > 0.85).all()


@pytest.mark.parametrize("outward", [1.0, -1.0])
@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.kind)
def test_line_of_sight_meets_the_surface_from_its_open_side(shape, outward):
    rng = np.random.default_rng(1)
    near = project(shape, np.array([[8.0, 3.0, 5.0]]))[0]
    view = surface_normal(shape, near[None])[0] * outward
    true = chart_of(shape, near, outward).flatten(near[None]) + rng.uniform(-1, 1, (50, 2))
    points = chart_of(shape, near, outward).lift(true)
    steps = rng.uniform(-4, 4, 50)
    found = height_of(shape, outward, near, view)(points - steps[:, None] * view)
    assert np.abs(found - steps).max() < 1e-7


def test_line_of_sight_that_misses_gives_nothing():
    far = np.array([[50.0, 0.0, 0.0]])
    ball = Shape("sphere", np.zeros(3), None, 9.0)
    assert np.isnan(height_of(ball, 1.0, np.zeros(3), np.array([0.0, 0.0, 1.0]))(far)).all()


def test_facing_tells_a_gap_from_a_pipe_end_and_a_border():
    v, f = sheet(lambda x, y: 0 * x, size=60)
    _, rims, _ = rims_of(v, f[outside(v, f, (0, 0, 0), 5)])
    border, gap = sorted(rims, key=lambda r: -r.length)
    assert gap.facing == pytest.approx(1.0, abs=1e-9)
    assert border.facing == pytest.approx(-1.0, abs=1e-9)
    assert np.allclose(gap.normal, [0, 0, 1])
    # A rim of facets cut by their centroids at r = 5: the area is that of the disc, to a facet's width.
    assert gap.area == pytest.approx(np.pi * 25, rel=0.06)
    for hollow in (True, False):
        _, ends, _ = rims_of(*pipe(6.0, 20.0, hollow))
        assert [abs(end.facing) < 0.05 for end in ends] == [True, True]
        assert [end.hollow for end in ends] == [hollow] * 2
        assert ends[0].length == pytest.approx(2 * np.pi * 6, rel=0.01)


def test_surroundings_are_the_facets_so_many_edges_from_the_rims():
    v, f = sheet(lambda x, y: 0 * x, size=90)
    f = f[outside(v, f, (0, 0, 0), 6) & outside(v, f, (9, 9, 0), 2)]
    surface, rims, _ = rims_of(v, f)
    ends = np.concatenate([surface.faces[:, [0, 1]], surface.faces[:, [1, 2]], surface.faces[:, [2, 0]]])
    graph = coo_matrix((np.ones(len(ends)), ends.T), shape=(len(surface.vertices),) * 2)
    reached = np.zeros(len(surface.vertices), bool)
    for rim in rims:
        starts = np.unique([*surface.faces[rim.facets].ravel(), *rim.corners])
        # How many edges away: Dijkstra's algorithm, by scipy.
        away = dijkstra(graph, directed=False, indices=starts, unweighted=True, min_only=True)
        reached |= away <= rings_of(rim)
    near = reached[surface.faces].all(axis=1)
    band = band_of(surface, rims, np.full(len(surface.faces), -1, np.int32))
    np.testing.assert_array_equal(band.facets, np.flatnonzero(near))
    assert 0.2 < near.mean() < 0.9


def test_two_holes_that_touch_have_a_rim_each():
    v, f = sheet(lambda x, y: 0 * x, size=12)
    # All facets round two vertices that share one neighbour across a quad's diagonal.
    middle = 5 * 12 + 5
    gone = (f == middle).any(axis=1) | (f == middle + 2 * 12 + 2).any(axis=1)
    _, rims, _ = rims_of(v, f[~gone])
    assert sorted(len(r.corners) for r in rims)[:2] == [6, 6]
    assert all(len(set(r.corners.tolist())) == len(r.corners) for r in rims)


def test_vertices_at_one_place_on_the_border_count_as_one():
    v, f = sheet(lambda x, y: 0 * x, size=12)
    middle = 5 * 12 + 5
    gone = (f == middle).any(axis=1) | (f == middle + 2 * 12 + 2).any(axis=1)
    kept = f[~gone].copy()
    pinch = middle + 12 + 1
    centre = v[kept].mean(axis=1) - v[pinch]
    # The fan on one side of the pinch gets a vertex of its own at the same place, as cleaning leaves it.
    kept[(centre[:, 0] - centre[:, 1] > 0)[:, None] & (kept == pinch)] = len(v)
    _, rims, stands_for = rims_of(np.concatenate([v, v[pinch : pinch + 1]]), kept)
    assert sorted(len(r.corners) for r in rims)[:2] == [6, 6]
    assert np.count_nonzero(stands_for != np.arange(len(stands_for))) == 1


def test_blind_end_and_open_end_of_a_bore():
    wall, faces = pipe(5.0, 20.0)
    plate, below = sheet(lambda x, y: 0 * x - 30.0, size=80)
    both = np.concatenate([wall, plate]), np.concatenate([faces, below + len(wall)])
    bore = (Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0),)
    labels = np.r_[np.zeros(len(faces), np.int32), np.full(len(below), -1, np.int32)]
    found = {round(float(g.outer.centre[2])): g.kind for g in named(*both, bore, labels)}
    # Scan lies deeper than the lower end, towards -z, none lies past the upper one.
    assert found[0] == "blind"
    assert found[20] in ("opening", "blind")
    assert found[-30] == "border"


def test_shares_of_the_rim():
    v, f = sheet(lambda x, y: -np.abs(x))
    keep = outside(v, f, (0, 2, 0), 9)
    labels = (v[f[keep]].mean(axis=1)[:, 0] > 0).astype(np.int32)
    shapes = tuple(Shape("plane", np.zeros(3), np.array([way, 0, 1.0]) / np.sqrt(2)) for way in (-1.0, 1.0))
    gap = next(g for g in named(v, f[keep], shapes, labels) if g.safe)
    assert gap.kind == "edge"
    assert gap.shares[0] == pytest.approx(0.5, abs=0.06)
    assert gap.edge == pytest.approx(EDGE, rel=0.6)


def test_ids_are_all_different():
    v, f = sheet(wavy, size=100)
    rng = np.random.default_rng(0)
    gaps = named(v, f[rng.random(len(f)) > 0.02])
    assert len(gaps) > 100
    assert len({g.id for g in gaps}) == len(gaps)
