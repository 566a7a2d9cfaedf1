"""One seed's growth on meshes made from an equation: what it takes, where it stops, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.segmentation import model_selection, region_growing, search
from pipeline.features.segmentation.region_growing import Starts
from pipeline.surfaces import KINDS, PACKED
from pipeline.values.surface import Surface
from tests.features.faces import grid, revolved

ALL = np.ones(len(KINDS), dtype=np.bool_)
WHITE = 0.012


def grown(vertices, faces, seed, radius=4.0):
    """What comes of the patch of `radius` mm round a vertex, and the mesh that it grew on."""
    ground = search.prepare(Surface.measured(vertices, faces), WHITE)
    seeds = np.array([seed], dtype=np.int32)
    codes, shapes, _, reaches, limits = model_selection.judge_seeds(
        ground.mesh, seeds, 6.0, radius, ALL, ground.sigma, 1.3, 60
    )
    assert codes[0] >= 0
    (growth,) = region_growing.taken_apart(
        region_growing.develop_many(
            np.array([0]), Starts(codes, shapes, seeds, reaches, limits), ALL, ground.mesh, ground.scratch, ground.gauge
        )
    )
    return growth, ground


def journal(length=41, around=300, noise=WHITE):
    """A shaft of 20 mm radius and, from half its length on, of 16 mm; edges of some 0.42 mm."""
    rng = np.random.default_rng(6)
    heights = np.arange(length) * 0.42
    middle = heights[length // 2]

    def radius(angle, z):
        return np.where(z > middle, 16.0, 20.0) + rng.normal(0, noise, z.shape)

    vertices, faces = revolved(radius, heights, around)
    return vertices, faces, vertices[:, 2] <= middle


def test_a_journal_is_taken_to_its_shoulder():
    vertices, faces, thick = journal()
    growth, ground = grown(vertices, faces, 5)
    assert tuple(KINDS)[growth.code] == "cylinder"
    assert growth.sign == 1.0
    # All of it but the smoothed normals' last rows before the shoulder, and nothing beyond.
    assert thick[growth.members].all()
    assert len(growth.members) > 0.8 * thick.sum()
    assert len(np.unique(growth.members)) == len(growth.members)
    assert np.isin(growth.core, growth.members).all()
    # Standard error of the radius of a whole turn: sigma / sqrt(n); 4 of them and the noise learned from no face yet.
    assert growth.packed[12] == pytest.approx(20.0, abs=4.0 * WHITE / np.sqrt(len(growth.core)) + 5e-4)
    assert growth.openness < region_growing.OPEN
    # In white noise the misfit a degree of freedom is 1 at most, less what the gauge allows for shared noise.
    assert growth.misfit < 1.0 + 5.0 * np.sqrt(2.0 / growth.freedom)
    assert search.good(growth)
    assert region_growing.goes_round(growth.code, growth.packed, growth.core, ground.mesh)
    assert (ground.label < 0).all()  # growing writes nothing but its scratch


def test_a_bore_faces_its_axis():
    vertices, faces, _ = journal()
    growth, _ = grown(vertices, faces[:, ::-1].copy(), 5)
    assert growth.sign == -1.0


def test_a_bump_of_a_wavy_skin_goes_on_beyond_its_rim():
    vertices, faces, _ = grid(90, 0.6, lambda x, y: 2.0 * np.sin(x / 7.0) * np.cos(y / 7.0))
    # On top of a wave, which is all but a ball there.
    seed = int(np.argmin(np.linalg.norm(vertices[:, :2] / 7.0 - (0.5 * np.pi, 2.0 * np.pi), axis=1)))
    growth, _ = grown(vertices, faces, seed, 2.0)
    assert growth.code < 0 or growth.openness >= region_growing.OPEN
    assert not search.good(growth)


@pytest.mark.parametrize(("turn", "round_enough"), [(100.0, False), (200.0, True)])
def test_going_round_takes_fifteen_sectors_of_ten_degrees(turn, round_enough):
    angle = np.radians(np.linspace(0.5, turn - 0.5, 2000))
    vertices = np.column_stack([20.0 * np.cos(angle), 20.0 * np.sin(angle), np.zeros(2000)])
    mesh = region_growing.Mesh(
        vertices, vertices / 20.0, *(np.zeros(2000, dtype=np.int32),) * 3, *(np.ones(2000, dtype=np.float32),) * 3
    )
    packed = np.zeros(PACKED)
    packed[5], packed[6], packed[10], packed[12], packed[14] = 1.0, 1.0, 1.0, 20.0, 1.0
    members = np.arange(2000, dtype=np.int32)
    code = KINDS["cylinder"].code
    assert region_growing.goes_round(code, packed, members, mesh) is round_enough
    assert not region_growing.goes_round(code, packed, members[::3].copy(), mesh)  # too few vertices to tell
    assert not region_growing.goes_round(KINDS["plane"].code, packed, members, mesh)
    # By hand: five mean edges of 1 mm, against a ninth of the side of a square of 2000 mm2.
    assert region_growing.block_size(members, mesh) == pytest.approx(5.0)
    assert region_growing.block_size(members, mesh._replace(share=4.0 * mesh.share)) == pytest.approx(
        np.sqrt(8000.0) / 9.0
    )
    assert region_growing.gathered(vertices, members, 600).tolist() == vertices[::4].tolist()


def test_what_leads_away_at_the_rim_is_left_out():
    """A plane whose last rows curl up by more than four times the noise."""
    vertices, faces, _ = grid(40, 0.5, lambda x, y: np.where(x > 18.4, 0.06, 0.0))
    ground = search.prepare(Surface.measured(vertices, faces), WHITE)
    members = np.arange(len(vertices), dtype=np.int32)
    packed = np.zeros(PACKED)
    packed[5], packed[6], packed[10], packed[14] = 1.0, 1.0, 1.0, 1.0
    search.marked(ground, members)
    left = region_growing.trimmed(KINDS["plane"].code, packed, members, ground.mesh, ground.scratch, ground.gauge)
    gone = np.setdiff1d(members, left)
    assert (vertices[gone, 0] > 18.4).all()
    assert np.isin(np.flatnonzero(vertices[:, 0] > 18.9), gone).all()
    assert (ground.scratch.mark[left] == ground.scratch.stamp[0]).all()
    assert (ground.scratch.mark[gone] > ground.scratch.stamp[0]).all()
