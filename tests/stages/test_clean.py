"""The clean stage: what it takes, what it keeps, and that the areas add up."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from pipeline.errors import DatumliftError, GeometryError
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.formats.meshes_in import read_mesh
from pipeline.job import CleanSettings, Zone
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.measures import facet_areas, mean_edge
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.values import FILLED, CleanResult, ReadResult, Source
from pipeline.values.surface import Surface
from tests.mesh.repair.test_manifold import is_manifold
from tests.scans import demo_scan, open_part_path

# Labels of what the demo's generator added to the part.
PLUG, STUB, DEBRIS, SECOND_PASS = -1, -2, -3, -4


def as_read(v: np.ndarray, f: np.ndarray, sigma: float | None = None) -> ReadResult:
    surface = Surface.measured(v, f)
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    source = Source(
        file="made.stl",
        sha256="0" * 64,
        facets=len(f),
        vertices=len(v),
        unit="mm",
        unit_factor=1.0,
        noise_sigma=white_sigma(surface.vertices, surface.faces) if sigma is None else sigma,
        mean_edge=mean_edge(surface.vertices, surface.faces),
        bounds=(tuple(map(float, low)), tuple(map(float, high))),
    )
    return ReadResult(surface, source)


def _clean(v: np.ndarray, f: np.ndarray, sigma: float | None = None, **options: object) -> CleanResult:
    result = clean(as_read(v, f, sigma), CleanSettings(**options), silent)
    area = facet_areas(result.surface.vertices, result.surface.faces).sum()
    removed = sum(r.area for r in result.removals)
    assert result.area_in == pytest.approx(facet_areas(v, f.astype(np.int32)).sum(), rel=1e-12)
    assert area + removed == pytest.approx(result.area_in, rel=1e-9)
    return result


def _names(result: CleanResult) -> list[str]:
    return [r.what for r in result.removals]


def _count(result: CleanResult, what: str) -> int:
    return sum(r.count for r in result.removals if r.what == what)


def _casting(noise: float = 0.012) -> tuple[np.ndarray, np.ndarray]:
    """A dense noisy tube, 60 mm outside, 40 mm bore, 50 mm long, of even facets."""
    corners = np.array([[30, -25], [30, 25], [20, 25], [20, -25], [30, -25]], dtype=float)
    profile = np.concatenate(
        [np.linspace(p, q, round(np.linalg.norm(q - p) / 1.25), endpoint=False) for p, q in pairwise(corners)]
    )
    rings, around = len(profile), 144
    angle = 2 * np.pi * np.arange(around) / around
    v = np.stack(
        [
            profile[:, :1] * np.cos(angle),
            profile[:, :1] * np.sin(angle),
            np.repeat(profile[:, 1:], around, axis=1),
        ],
        axis=2,
    ).reshape(-1, 3)
    i, k = np.divmod(np.arange(rings * around), around)
    right = i * around + (k + 1) % around
    up = (i + 1) % rings * around + k
    both = (i + 1) % rings * around + (k + 1) % around
    here = i * around + k
    f = np.stack([here, right, both, here, both, up], axis=1).reshape(-1, 3)
    v += noise * np.random.default_rng(7).normal(size=v.shape)
    return v, f.astype(np.int32)


def test_a_good_scan_is_left_as_it_is() -> None:
    v, f = _casting()
    result = _clean(v, f)
    assert result.removals == ()
    assert result.cautions == ()
    np.testing.assert_array_equal(result.surface.faces, f)
    np.testing.assert_array_equal(result.surface.vertices, v)


def test_the_demo_loses_debris_and_the_second_pass_and_nothing_else() -> None:
    scan = demo_scan(200_000, 2, stub=True, second_pass=True, gaps=40)
    result = _clean(scan.vertices, scan.faces)
    centres = {tuple(c) for c in result.surface.vertices[result.surface.faces].mean(axis=1).round(6)}
    gone = np.array([tuple(c) not in centres for c in scan.vertices[scan.faces].mean(axis=1).round(6)])
    np.testing.assert_array_equal(gone, np.isin(scan.label, (DEBRIS, SECOND_PASS)))
    assert _count(result, "debris") == 4
    assert _count(result, "doubled sheets") == (scan.label == SECOND_PASS).sum()
    assert edge_report(result.surface.faces, len(result.surface.vertices)).nonmanifold == 0


def test_broken_facets_are_counted_one_by_one() -> None:
    v, f = _casting()
    spoiled = np.vstack([f, f[100:107], f[300:302, [0, 2, 1]], [[5, 5, 9], [8, 4, 4]]]).astype(np.int32)
    result = _clean(v, spoiled)
    assert _count(result, "duplicate facets") == 9
    assert _count(result, "degenerate facets") == 2
    np.testing.assert_array_equal(result.surface.faces, f)


def test_mixed_winding_is_mended_without_losing_area() -> None:
    v, f = _casting()
    spoiled = f.copy()
    spoiled[::7] = spoiled[::7][:, ::-1]
    result = _clean(v, spoiled)
    assert _count(result, "facets turned over") == len(f[::7])
    assert trimesh.Trimesh(result.surface.vertices, result.surface.faces, process=False).volume == pytest.approx(
        trimesh.Trimesh(v, f, process=False).volume
    )


@pytest.mark.parametrize("opened", [0.0, 6.0])
def test_a_scan_that_is_inside_out_is_turned(opened: float) -> None:
    """opened: length of a slice of the tube that is missing at one end, mm."""
    v, f = _casting()
    f = f[v[f][:, :, 2].max(axis=1) < 25.5 - opened]
    result = _clean(v, f[:, ::-1])
    assert _count(result, "pieces turned inside out") == 1
    right = _clean(v, f)
    assert "pieces turned inside out" not in _names(right)
    for surface in (result.surface, right.surface):
        # The bore's facets look at the axis.
        corners = surface.vertices[surface.faces]
        centre = corners.mean(axis=1)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        bore = (np.hypot(centre[:, 0], centre[:, 1]) < 20.2) & (np.abs(centre[:, 2]) < 18)
        assert (np.einsum("ij,ij->i", centre[bore, :2], normal[bore, :2]) < 0).mean() > 0.99


def test_a_sheet_that_may_be_seen_from_either_side_is_left_with_a_caution() -> None:
    v, f = _casting()
    half_bore = (np.hypot(*v[f].mean(axis=1)[:, :2].T) < 20.5) & (v[f].mean(axis=1)[:, 0] > 0)
    for faces in (f[half_bore], f[half_bore][:, ::-1]):
        result = _clean(v, faces)
        assert "pieces turned inside out" not in _names(result)
        assert any("too open" in c for c in result.cautions)


def test_debris_goes_and_what_lies_in_a_bore_stays() -> None:
    v, f = _casting()
    rng = np.random.default_rng(3)
    crumb = trimesh.creation.icosphere(2, radius=1.0)
    crumb.vertices *= rng.uniform(0.9, 1.1, (len(crumb.vertices), 1))
    # A patch of a shoulder deep in the bore, seen apart from the walls.
    radius, turn = np.meshgrid(np.linspace(2, 5, 5), np.arange(24) * np.pi / 12)
    flat = np.stack([radius.ravel() * np.cos(turn.ravel()), radius.ravel() * np.sin(turn.ravel())], axis=1)
    near = Delaunay(flat).simplices
    near = near[np.linalg.norm(flat[near].mean(axis=1), axis=1) > 1.9]
    island = trimesh.Trimesh(np.column_stack([flat, np.zeros(len(flat))]), near, process=False)
    pieces = [(v, f), (island.vertices + np.array([0, 0, 3]), island.faces)]
    pieces += [(crumb.vertices + spot, crumb.faces) for spot in ([45, 0, 0], [0, -38, 10], [0, 0, 60])]
    starts = np.cumsum([0] + [len(p[0]) for p in pieces])
    both = np.vstack([p[0] for p in pieces])
    faces = np.vstack([p[1] + s for p, s in zip(pieces, starts[:-1], strict=True)]).astype(np.int32)
    result = _clean(both, faces)
    assert _count(result, "debris") == 3
    assert len(result.surface.faces) == len(f) + len(island.faces)
    assert any("1 small separate piece" in c for c in result.cautions)
    (debris,) = [r for r in result.removals if r.what == "debris"]
    # By hand: the nearest crumb's skin is about 38 - 30 - 1 = 7 mm from the tube.
    assert "the nearest 7" in debris.note or "the nearest 6.9" in debris.note


def test_a_piece_larger_than_the_setting_allows_stays() -> None:
    v, f = _casting()
    ball = trimesh.creation.icosphere(3, radius=5.0)
    both = np.vstack([v, ball.vertices + np.array([60, 0, 0])])
    faces = np.vstack([f, ball.faces + len(v)]).astype(np.int32)
    share = ball.area / (ball.area + facet_areas(v, f).sum())
    assert "debris" not in _names(_clean(both, faces, debris_share=0.9 * share))
    assert _count(_clean(both, faces, debris_share=1.1 * share), "debris") == 1


def test_spikes_go_and_real_corners_stay() -> None:
    v, f = _casting()
    v = v.copy()
    rng = np.random.default_rng(5)
    wall = np.flatnonzero((np.abs(np.hypot(v[:, 0], v[:, 1]) - 30) < 0.2) & (np.abs(v[:, 2]) < 20))
    some = rng.choice(wall, 6, replace=False)
    v[some, :2] *= 1 + 12 / 30
    result = _clean(v, f, sigma=0.012)
    assert _count(result, "spikes") == np.isin(f, some).any(axis=1).sum()
    assert _names(result) == ["spikes"]


def test_a_fold_goes() -> None:
    v, f = _casting(0.004)
    v = v.copy()
    # A vertex pulled over its neighbour folds the facets between them.
    p = int(np.argmin(np.linalg.norm(v - [30, 0, 3], axis=1)))
    ring = np.unique(f[(f == p).any(axis=1)])
    ring = ring[ring != p]
    far = ring[np.argmax(v[ring, 2])]
    v[p] = v[p] + 2.2 * (v[far] - v[p])
    result = _clean(v, f, sigma=0.004)
    assert {"folded facets", "crossing facets"} & set(_names(result))
    assert 1 <= len(f) - len(result.surface.faces) <= 14


def test_crossing_surfaces_are_said_when_they_are_many() -> None:
    v, f = _casting()
    # The same tube again, turned a little: the walls pass through each other everywhere.
    turn = trimesh.transformations.rotation_matrix(np.radians(3), (1, 0, 0))
    both = np.vstack([v, trimesh.transform_points(v, turn) + np.array([0.6, 0, 0])])
    result = _clean(both, np.vstack([f, f + len(v)]).astype(np.int32), sigma=0.012)
    assert any("pass through others" in c for c in result.cautions)


def test_zones_take_what_lies_in_them() -> None:
    v, f = _casting()
    zone = Zone(shape="half-space", coordinates="scan", point=(0, 0, 10), direction=(0, 0, 1))
    result = _clean(v, f, exclude=(zone,))
    centres = v[f].mean(axis=1)
    assert _count(result, "excluded by zone 1") == (centres[:, 2] >= 10).sum()
    assert len(result.surface.faces) == (centres[:, 2] < 10).sum()

    matrix = ((0.0, -1.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 1.0, 100.0), (0.0, 0.0, 0.0, 1.0))
    moved = Zone(shape="half-space", point=(0, 0, 110), direction=(0, 0, 1), part_frame=matrix)
    again = _clean(v, f, exclude=(moved,))
    np.testing.assert_array_equal(again.surface.faces, result.surface.faces)


def test_a_zone_beside_the_part_is_said_and_one_round_it_refused() -> None:
    v, f = _casting()
    result = _clean(v, f, exclude=(Zone(shape="sphere", coordinates="scan", centre=(500, 0, 0), radius=10),))
    assert any("zone 1 (sphere) holds nothing" in c for c in result.cautions)
    with pytest.raises(GeometryError, match="Nothing is left"):
        _clean(v, f, exclude=(Zone(shape="sphere", coordinates="scan", centre=(0, 0, 0), radius=500),))


def test_what_a_run_filled_is_no_part_of_the_scan() -> None:
    """The lid of a box, two triangles of 30 x 20 mm together, is marked as filled."""
    box = trimesh.creation.box((30, 20, 10))
    lid = box.face_normals[:, 2] > 0.9
    surface = Surface(np.array(box.vertices), box.faces.astype(np.int32), np.where(lid, FILLED, 0).astype(np.uint8))
    source = Source("light.ply", "", 12, 8, "mm", 1.0, 0.0, 10.0, ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)))
    result = clean(ReadResult(surface, source), CleanSettings(), silent)
    (gone,) = [r for r in result.removals if "filled" in r.what]
    assert (gone.count, gone.area) == (2, pytest.approx(600.0))
    assert result.surface.facets == 10
    assert edge_report(result.surface.faces, len(result.surface.vertices)).border == 4


def test_facets_without_area_are_shared_out() -> None:
    box = trimesh.creation.box((30, 20, 10))
    v, f = box.vertices.copy(), box.faces.astype(np.int32)
    # A corner on the middle of an edge, joined by a facet without area to both ends of it.
    a, b = f[0, 0], f[0, 1]
    v = np.vstack([v, 0.5 * (v[a] + v[b])])
    new = len(v) - 1
    f = np.vstack([f[1:], [[a, new, f[0, 2]], [new, b, f[0, 2]], [a, b, new]]]).astype(np.int32)
    assert edge_report(f, len(v)).border == 0
    result = _clean(v, f)
    assert _count(result, "facets without area") == 2
    assert facet_areas(result.surface.vertices, result.surface.faces).min() > 1.0
    assert edge_report(result.surface.faces, len(result.surface.vertices)).border == 0


@pytest.mark.parametrize("name", ["TR12J_OCC.stl", "TR12J_OCC64K.stl", "sh1.stl"])
def test_an_open_casting_passes_unharmed(name: str) -> None:
    part = read_mesh(open_part_path(name))
    result = _clean(part.vertices, part.faces)
    assert len(result.surface.faces) == len(part.faces)
    assert not [r for r in result.removals if r.area > 0]


SPOILS = {
    "seed": st.integers(0, 2**32 - 1),
    "deleted": st.floats(0, 0.6),
    "doubled": st.floats(0, 0.3),
    "flipped": st.floats(0, 0.6),
    "bridged": st.integers(0, 30),
    "split": st.floats(0, 0.3),
}


def spoiled(
    seed: int, deleted: float, doubled: float, flipped: float, bridged: int, split: float
) -> tuple[np.ndarray, np.ndarray]:
    """A noisy ball some facets of which are gone, doubled, turned over, cut loose, or joined at random."""
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(3, radius=20)
    v = ball.vertices + 0.05 * rng.normal(size=ball.vertices.shape)
    f = np.array(ball.faces)
    f = f[rng.random(len(f)) >= deleted]
    f = np.vstack([f, f[rng.random(len(f)) < doubled]])
    some = rng.random(len(f)) < flipped
    f[some] = f[some][:, ::-1]
    # Splits: a facet gets corners of its own, so that its edges no longer join.
    loose = np.flatnonzero(rng.random(len(f)) < split)
    v = np.vstack([v, v[f[loose]].reshape(-1, 3)])
    f[loose] = np.arange(len(v) - 3 * len(loose), len(v)).reshape(-1, 3)
    return v, np.vstack([f, rng.integers(0, len(v), (bridged, 3))]).astype(np.int32)


@settings(max_examples=25, deadline=None)
@given(**SPOILS)
def test_spoiled_scans_end_as_manifold_or_as_a_refusal(**spoils: float) -> None:
    try:
        result = _clean(*spoiled(**spoils), sigma=0.05)
    except DatumliftError:
        return
    assert is_manifold(result.surface.faces, len(result.surface.vertices))
