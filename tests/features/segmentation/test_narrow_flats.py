"""Flats a few edges wide, on blocks that trimesh draws and that are meshed anew as coarsely as some scans are."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.features.segmentation.narrow_flats import narrow_flats
from pipeline.features.segmentation.search import prepare
from pipeline.values.surface import Surface
from tests.scans import densify
from tests.stages.test_recover import recovered

SIGMA, EDGE = 0.012, 1.5


def block(drawn, edge=EDGE, seed=1):
    """A drawn body meshed anew with facets of about `edge` mm, rough by SIGMA along each axis."""
    vertices, faces = densify(np.asarray(drawn.vertices), np.asarray(drawn.faces), edge, seed)
    return vertices + np.random.default_rng(seed).normal(0.0, SIGMA, vertices.shape), faces


@pytest.fixture(scope="module")
def plate():
    """A plate whose long sides are 6.6 mm, 4.4 edges, high."""
    return block(trimesh.creation.box((70.0, 50.0, 6.6)))


def test_the_sides_of_a_plate_four_edges_thick_are_planes(plate):
    result = recovered(*plate)
    assert {f.kind for f in result.features} == {"plane"}
    assert len(result.features) == 6
    for feature in result.features:
        axis = int(np.argmax(np.abs(feature.direction)))
        sides = np.array([70.0, 50.0, 6.6])
        assert abs(feature.direction[axis]) > np.cos(np.radians(0.2))
        assert abs(feature.point[axis]) == pytest.approx(sides[axis] / 2, abs=4 * SIGMA / np.sqrt(30))
        # Up to the edges, but for half a facet there; the broad ones, found by their vertices, but for a whole one.
        short, long = np.sort(np.delete(sides, axis))
        lost = 2 * EDGE if axis == 2 else EDGE
        assert (short - lost) * (long - lost) < feature.extent.area < short * long * 1.02


def test_vertices_alone_leave_most_of_a_narrow_side_out(plate):
    """So that they are looked for by their facets: of the vertices on them hardly half face the way they do."""
    vertices, faces = plate
    ground = prepare(Surface.measured(vertices, faces), SIGMA)
    flats = narrow_flats(ground)
    sides = [f for f in flats if abs(f.packed[5]) < 0.1]
    assert len(sides) == 4
    for side in sides:
        facing = ground.normals[side.members] @ side.packed[3:6]
        assert (facing > ground.cosine).mean() < 0.7
        away = np.abs((ground.vertices[side.members] - side.packed[:3]) @ side.packed[3:6])
        assert away.max() < 4.0 * ground.sigma


def test_a_flat_that_something_parts_is_one(plate):
    """Across one of the sides somebody has all vertices two edges wide, as facets that bridge its edges may part it."""
    vertices, faces = plate
    ground = prepare(Surface.measured(vertices, faces), SIGMA)
    ground.label[(np.abs(vertices[:, 0]) < EDGE) & (vertices[:, 1] > 20.0)] = 0
    sides = [f for f in narrow_flats(ground) if f.packed[4] > 0.99]
    assert len(sides) == 1
    assert np.ptp(vertices[sides[0].members, 0]) > 70.0 - EDGE


def rough_flats(drawn, noise):
    """The flats of a body drawn with facets of 1.5 mm, rough by `noise` mm: how many vertices each has, sorted."""
    vertices, faces = densify(np.asarray(drawn.vertices), np.asarray(drawn.faces), EDGE, 1)
    vertices = vertices + np.random.default_rng(1).normal(0.0, noise, vertices.shape)
    return sorted(len(f.members) for f in narrow_flats(prepare(Surface.measured(vertices, faces), noise)))


def test_noise_that_turns_facets_by_more_than_edges_may_parts_no_flat():
    """By 0.1 on edges of 1.5 mm, as fine scans have it in proportion, it turns them by 9 degrees: 2.3 times noise over
    edge for neighbours with equal sides. A flat keeps all that it has on a quiet scan, but for what ends at its rim."""
    plate = trimesh.creation.box((70.0, 50.0, 6.6))
    quiet, rough = rough_flats(plate, SIGMA), rough_flats(plate, 0.1)
    assert len(quiet) == len(rough) == 6
    assert (np.array(rough) > 0.95 * np.array(quiet)).all()


def test_noise_makes_no_flats_of_bits_of_a_round_body():
    ends = rough_flats(trimesh.creation.cylinder(radius=24.0, height=30.0, sections=400), 0.13)
    assert len(ends) == 2
    assert min(ends) > 1000


def test_narrower_sides_are_refused_and_told_why():
    result = recovered(*block(trimesh.creation.box((70.0, 50.0, 4.2))))
    assert len([f for f in result.features if f.confidence == "good"]) == 2
    strips = [r for r in result.rejected if r.number is not None and r.kind == "plane"]
    assert len(strips) == 4
    for strip in strips:
        assert "a strip" in strip.reason
        assert abs(strip.direction[2]) < 0.02


def test_chords_of_a_round_body_do_not_hold_each_other_up():
    """A body of 20 sides is a cylinder drawn coarsely: each side turns by 18 degrees from the next."""
    result = recovered(*block(trimesh.creation.cylinder(radius=24.0, height=30.0, sections=20), 1.2))
    assert len([f for f in result.features if f.kind == "plane" and abs(f.direction[2]) > 0.99]) == 2
    assert not any(f.confidence == "good" and abs(f.direction[2]) < 0.5 for f in result.features)
    assert any("of its rim runs smoothly" in r.reason for r in result.rejected if r.number is not None)
