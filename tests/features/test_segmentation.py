"""Segmentation on scans of the demo housing: every required face found, no skin taken for one."""

import numpy as np
import pytest

from pipeline.features import segmentation
from pipeline.features.noise import white_sigma
from pipeline.mesh.surface import Surface
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
