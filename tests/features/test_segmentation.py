"""Segmentation on scans of the demo housing: every required face found, no skin taken for one."""

import numpy as np
import pytest

from pipeline.features import choosing, segmentation
from pipeline.features.noise import white_sigma
from pipeline.mesh.surface import Surface
from tests.features.faces import revolved
from tests.scans import demo_scan


@pytest.fixture(scope="module")
def scan():
    return demo_scan(120_000, 5)


@pytest.fixture(scope="module")
def ground(scan):
    return segmentation.prepare(
        Surface.measured(scan.vertices, scan.faces), white_sigma(scan.vertices, scan.faces)
    )


def test_smoothed_normals_come_near_the_true_ones(scan, ground):
    inner = ground.bend < 0.3
    true = scan.to_scan[:3, :3] @ scan.part.solid.normals(scan.to_part(scan.true_vertices[inner])).T
    angle = np.degrees(np.arccos(np.clip(np.einsum("in,ni->n", true, ground.normals[inner]), -1, 1)))
    assert np.median(angle) < 1.0


def test_regions_are_whole_faces(scan, ground):
    ground.owner[:] = -1
    found = segmentation.segment(ground, segmentation.NAMES)
    label = np.zeros(len(scan.vertices), dtype=int)
    for corner in range(3):
        label[scan.faces[:, corner]] = scan.label
    name = {face.number: face.name for face in scan.part.faces}
    big = [region for region in found if len(region.core) > 400]
    assert len(big) >= 5
    for region in big:
        values, counts = np.unique(label[region.core], return_counts=True)
        assert counts.max() > 0.99 * len(region.core), name.get(values[counts.argmax()])
    # No vertex has two owners.
    members = np.concatenate([region.members for region in found])
    assert len(members) == len(np.unique(members))


def test_only_the_kinds_asked_for(ground):
    ground.owner[:] = -1
    found = segmentation.segment(ground, ("plane",))
    assert {region.kind for region in found} == {"plane"}


def test_a_hole_of_few_vertices_is_no_plane_through_its_axis():
    # 20 edges round and 4 deep: both sides fall into one block of the likelihood.
    row = np.tile(np.arange(5), 20)
    core = np.flatnonzero((row > 0) & (row < 4)).astype(np.int32)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        noise = rng.normal(0, 0.012, (20, 5))
        vertices, faces = revolved(lambda angle, z, off=noise: 5.0 + off, np.arange(5) * 1.6, 20)
        vertices = vertices @ np.linalg.qr(rng.normal(size=(3, 3)))[0].T
        ground = segmentation.prepare(Surface.measured(vertices, faces), 0.012)
        shape = np.zeros(choosing.PACKED)
        code, _ = segmentation.choose(ground, core, -1, shape, np.ones(5, bool), 900)
        assert segmentation.NAMES[code] == "cylinder"
