"""Segmentation on scans of the demo housing: every required face found, no skin taken for one."""

import numpy as np
import pytest

from pipeline.features.segmentation import model_selection, region_growing, search
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.surfaces import KINDS, PACKED, begin
from pipeline.values.surface import Surface
from tests.features.faces import grid, revolved
from tests.scans import demo_scan


@pytest.fixture(scope="module")
def scan():
    return demo_scan(120_000, 5)


@pytest.fixture(scope="module")
def ground(scan):
    return search.prepare(Surface.measured(scan.vertices, scan.faces), white_sigma(scan.vertices, scan.faces))


def test_smoothed_normals_come_near_the_true_ones(scan, ground):
    inner = ground.bend < 0.3
    true = scan.to_scan[:3, :3] @ scan.part.solid.normals(scan.to_part(scan.true_vertices[inner])).T
    angle = np.degrees(np.arccos(np.clip(np.einsum("in,ni->n", true, ground.normals[inner]), -1, 1)))
    assert np.median(angle) < 1.0


def test_regions_are_whole_faces(scan, ground):
    ground.label[:] = -1
    found, _ = search.segment(ground, search.NAMES)
    label = np.zeros(len(scan.vertices), dtype=int)
    for corner in range(3):
        label[scan.faces[:, corner]] = scan.label
    name = {face.number: face.name for face in scan.part.faces}
    big = [region for region in found if len(region.core) > 400]
    assert len(big) >= 5
    for region in big:
        values, counts = np.unique(label[region.core], return_counts=True)
        assert counts.max() > 0.99 * len(region.core), name.get(values[counts.argmax()])
    # No vertex is of two regions.
    members = np.concatenate([region.members for region in found])
    assert len(members) == len(np.unique(members))


def test_only_the_kinds_asked_for(ground):
    ground.label[:] = -1
    found, _ = search.segment(ground, ("plane",))
    assert {region.kind.name for region in found} == {"plane"}


def test_a_hole_of_few_vertices_is_no_plane_through_its_axis():
    # 20 edges round and 4 deep: both sides fall into one block of the likelihood.
    row = np.tile(np.arange(5), 20)
    core = np.flatnonzero((row > 0) & (row < 4)).astype(np.int32)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        noise = rng.normal(0, 0.012, (20, 5))
        vertices, faces = revolved(lambda angle, z, off=noise: 5.0 + off, np.arange(5) * 1.6, 20)
        vertices = vertices @ np.linalg.qr(rng.normal(size=(3, 3)))[0].T
        ground = search.prepare(Surface.measured(vertices, faces), 0.012)
        shape = np.zeros(model_selection.PACKED)
        code, _ = search.choose(ground, core, -1, shape, np.ones(5, bool), 900)
        assert search.NAMES[code] == "cylinder"


def test_a_stretch_of_tube_bends_to_its_torus():
    """Points made from the torus' own equation, 7 mm along a ring of radius 49.5 mm, as a cylinder sees them."""
    major, minor = 49.5, 2.4
    along, across = (a.ravel() for a in np.meshgrid(np.linspace(-0.07, 0.07, 15), np.linspace(-1.2, 1.2, 13)))
    out = major + minor * np.cos(across)
    points = np.stack([out * np.cos(along), out * np.sin(along), minor * np.sin(across)], axis=1)
    tube, ring = np.zeros(model_selection.PACKED), np.zeros(model_selection.PACKED)
    tube[0:3], tube[3:6] = (major - 0.03, 0.0, 0.0), (0.0, 1.0, 0.0)
    tube[6:9], tube[9:12], tube[12] = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), minor
    assert KINDS["torus"].turned(tube, points, ring)
    assert ring[12] == pytest.approx(minor, rel=0.02)
    assert ring[15] == pytest.approx(major, rel=0.1)
    assert abs(ring[5]) > 0.999
    straight = points.copy()
    straight[:, 0] = major + minor * np.cos(across)
    straight[:, 1] = major * along
    assert not KINDS["torus"].turned(tube, straight, ring) or ring[15] > 1e6


@pytest.mark.parametrize("stops", [0, 2])
def test_a_groove_round_a_journal_is_one_torus(stops):
    """A half-round groove of 2.4 mm in a journal of 52 mm, 12 um noise, edges of 0.6 mm; `stops` of 60 degrees part it.

    The stretches lie further apart than one is long across.
    """
    noise = np.random.default_rng(4).normal(0.0, 0.012, (540, 27))

    def outline(angle, z):
        depth = np.sqrt(np.maximum(2.4**2 - (z - 7.8) ** 2, 0.0))
        return 52.0 - np.where(np.cos(stops * angle) < 0.5, depth, 0.0 if stops else depth) + noise

    vertices, faces = revolved(outline, np.arange(27) * 0.6, 540)
    ground = search.prepare(Surface.measured(vertices, faces), 0.012)
    found = search.joined(ground, search.segment(ground, search.NAMES)[0], search.NAMES)
    rings = [region for region in found if region.kind.name == "torus"]
    assert len(rings) == 1
    assert rings[0].packed[12] == pytest.approx(2.4, abs=0.01)
    assert rings[0].packed[15] == pytest.approx(52.0, abs=0.01)
    assert len(rings[0].members) > 0.8 * 7 * 540 * (1.0 - stops / 6.0)


def test_seeds_of_one_plane_do_not_grow_at_once():
    vertices, faces, _ = grid(60, 0.5, lambda x, y: 0.0 * x)
    ground = search.prepare(Surface.measured(vertices, faces), 0.01)
    seeds = np.arange(0, len(vertices), 97).astype(np.int32)
    flat = np.zeros((len(seeds), model_selection.PACKED))
    flat[:, 5] = 1.0
    starts = region_growing.Starts(
        np.zeros(len(seeds), dtype=np.int64), flat, seeds, np.full(len(seeds), 2.0), np.full(len(seeds), np.inf)
    )
    barred = np.zeros(len(vertices), dtype=bool)
    barred[seeds[1]] = True
    what = region_growing.picked(np.arange(len(seeds)), starts, barred, 8, ground.mesh, ground.gauge)
    assert what[0] == 1
    assert what[1] == 0
    assert (what[2:] == 2).all()
    # What is barred from the first on doesn't end the search for one that grows.
    barred[seeds[:-1]] = True
    what = region_growing.picked(np.arange(len(seeds)), starts, barred, 1, ground.mesh, ground.gauge)
    assert (what[:-1] == 0).all()
    assert what[-1] == 1


@pytest.mark.parametrize(("bow", "told"), [(0.0, False), (0.002, False), (0.0072, True)])
def test_a_small_face_is_not_bowed_beyond_what_the_noise_explains(bow, told):
    """Of 256 vertices the rms is known to 1 / sqrt(2 * 256) = 4 %; a bow of 0.6 of the noise raises it by 17 % only."""
    sigma, count, edge = 0.012, 16, 0.5
    half = 0.5 * (count - 1) * edge
    vertices, faces, _ = grid(count, edge, lambda x, y: np.sqrt(45 / 4) * bow * (((x - half) / half) ** 2 - 1 / 3))
    rms = np.std(vertices[:, 2])
    assert rms == pytest.approx(bow, rel=0.2)
    vertices[:, 2] += np.random.default_rng(4).normal(0.0, sigma, len(vertices))
    ground = search.prepare(Surface.measured(vertices, faces), sigma)
    ground.wave = 0.25 * sigma
    members = np.arange(len(vertices), dtype=np.int32)
    s = np.zeros(PACKED)
    assert begin(0, vertices, ground.normals, s)
    region = search.region_of(ground, 0, s, 1.0, members, members, 0.0)
    doubt = search.form_doubt(ground, region)
    assert (doubt is not None) == told
    if told:
        assert "bowed or twisted by" in doubt
        assert float(doubt.split("by ")[1].split()[0]) == pytest.approx(1e3 * np.sqrt(45 / 4) * bow, rel=0.3)
