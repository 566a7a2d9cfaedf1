"""Set-ups laid on each other: where they lie, how well that is known, and what can't be told.

Covers: pipeline.features.joining.set_up_pose, pipeline.features.joining.overlap, pipeline.features.joining.checks

Truth is the motion of the maker (`tests.set_ups`); how large an error may be is held against the chi-squared
distribution of six degrees of freedom (scipy.stats) by the covariance that is stated.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from scipy.stats import chi2

from pipeline.features.joining import (
    Across,
    Scene,
    SetUpPose,
    Word,
    bend_between,
    misfit_map,
    scale_between,
    set_up_poses,
    shared_misfits,
)
from pipeline.features.joining import SetUp as Scan
from pipeline.features.joining.overlap import Met, blocked, crossed, met, pull
from pipeline.features.joining.pair_rows import fits_of
from pipeline.features.joining.pose_search import alike, at, candidates
from pipeline.features.joining.set_up_pose import _one_place, _tried_aside
from pipeline.features.naming import entry_of
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import rigid, small_motion, transformed, turned
from pipeline.job import CleanSettings, ReadSettings, RecoverSettings
from pipeline.mesh.topology import facet_normals
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.join import scan_of
from pipeline.stages.read import read
from pipeline.stages.recover import recover
from pipeline.values import Surface
from tests.features.joining.bare import bare_box
from tests.features.made import block as solid_block
from tests.features.made import bore, numbered, plane, pose, posed
from tests.rescanned import block
from tests.set_ups import SetUp, brep_set_up, corner_error, joined_block

UP = np.array([0.0, 0.0, 1.0])


def scanned(made: SetUp, folder) -> Scan:
    path = folder / "scan.stl"
    write_stl(path, made.vertices, made.faces, "mm")
    found = read(path, ReadSettings(), silent)
    cleaned = clean(found, CleanSettings(), silent)
    return scan_of(cleaned, recover(cleaned, found.source, RecoverSettings(), (), silent))


@pytest.mark.parametrize("arc", [100.0, 175.0])
def test_a_hole_of_which_two_scans_saw_opposite_walls_is_one(arc: float) -> None:
    """A part that was turned over shows the other wall of a hole, and other ends of it."""
    hole, seen = bore("H1", (3.0, -2.0, 0.0), UP, 7.0, length=16.0), []
    for middle, low in ((0.0, -8.0), (180.0, -6.0)):
        turn = np.radians(np.linspace(middle - arc / 2.0, middle + arc / 2.0, 40))
        points = [
            [3.0 + 7.0 * np.cos(a), -2.0 + 7.0 * np.sin(a), z] for a in turn for z in np.linspace(low, low + 14, 9)
        ]
        seen.append(Scene((entry_of(hole, np.array(points)),)))
    assert at(np.eye(4), *seen, np.ones((1, 1), bool)).pairs == ((0, 0),)
    # The next hole of a row is another one.
    aside = rigid(np.eye(3), np.array([0.0, 30.0, 0.0]))
    assert at(aside, *seen, np.ones((1, 1), bool)).pairs == ()


def test_bores_that_only_one_scan_shows_do_not_hide_a_turn() -> None:
    """Seven large bores beside three holes and a face; the other scan shows but these."""
    large = [bore(f"H{k}", (60.0 * k - 200.0, 90.0, 0.0), UP, 20.0 + k) for k in range(4, 11)]
    shared = [bore(f"H{k}", p, UP, 4.0) for k, p in ((1, (0, 0, 0)), (2, (31, 0, 0)), (3, (7, 23, 0)))]
    shared.append(plane("F1", (10.0, 5.0, 12.0), UP))
    there, back = Scene(numbered([*large, *shared])), Scene(numbered(posed(shared, pose(3))))
    found = candidates(there, back, alike(there, back), 60)
    assert any(np.allclose(one.motion, pose(3), atol=1e-6) for one in found)


@pytest.mark.parametrize(
    ("z", "up", "stands"),
    [
        (0.3, 1.0, True),  # a face right behind the wall's far end: metal of 0.3 mm
        (0.3, -1.0, False),  # the floor of a blind hole, which that scan did not see
        (2.5, 1.0, False),  # a face behind 2.5 mm of metal: the hole is blind
        (-2.0, -1.0, True),  # across the air
    ],
)
def test_what_stands_across_a_hole(z: float, up: float, stands: bool) -> None:
    """A hole of 8 mm, 10 mm deep, seen from below, and a face of another scan at some z from its far end; by hand."""
    share = blocked(hole_seen_over(np.pi), *level(5.0 + z, up))
    # Within 1 mm of the wall it could be the wall itself.
    assert share == pytest.approx((3.0 / 3.2) ** 2 if stands else 0.0, abs=0.1)


@pytest.mark.parametrize(("degrees", "expected"), [(115, True), (80, True), (40, False)])
def test_what_stands_across_a_hole_seen_in_part(degrees: int, expected: bool) -> None:
    """Air is what lies between the ends of the arc that was seen; of a narrow one that is nothing. By hand."""
    half = np.radians(degrees)
    scan, (face, ways, area) = hole_seen_over(half), level(-2.0, -1.0)
    chord = 4.0 * np.cos(half)
    share = segment(3.0, chord) / segment(3.2, chord) if expected else 0.0
    assert blocked(scan, face, ways, area) == pytest.approx(share, abs=0.1)
    # In front of a mouth there is nothing; but half a wall may belong to a pocket that was seen from aside.
    in_front = blocked(scan, *level(-5.5, 1.0))
    assert in_front > 0.5 if half > 0.5 * np.pi else in_front == 0.0
    # On the side that was not seen the part may go on.
    beside = face[:, 0] < chord
    assert blocked(scan, face[beside], ways[beside], area) == 0.0


def segment(radius: float, chord: float) -> float:
    """Area of a circle beyond a chord by its angle (from memory; any handbook of mathematics)."""
    angle = 2.0 * np.arccos(chord / radius)
    return float(0.5 * radius**2 * (angle - np.sin(angle)))


def level(z: float, up: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Points, 0.25 mm apart, of a level square of 40 mm, the normals there, and its area."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-20.0, 20.0, 0.25), np.arange(-20.0, 20.0, 0.25)))
    return np.column_stack([x, y, np.full(len(x), z)]), np.tile([0.0, 0.0, up], (len(x), 1)), 1600.0


def hole_seen_over(half: float) -> Scan:
    """A scan from below of a hole of 8 mm, 10 mm deep, about z, whose wall it saw up to an angle to either side of x,
    and of the face round its mouth."""
    wall = trimesh.creation.cylinder(radius=4.0, height=10.0, sections=72)
    middles = wall.triangles_center
    side = (np.abs(wall.face_normals[:, 2]) < 0.5) & (np.abs(np.arctan2(middles[:, 1], middles[:, 0])) < half)
    wall = trimesh.Trimesh(wall.vertices, wall.faces[side][:, ::-1])
    skirt = trimesh.creation.annulus(r_min=4.0, r_max=9.0, height=0.01, sections=72)
    skirt = trimesh.Trimesh(skirt.vertices - [0.0, 0.0, 5.0], skirt.faces[skirt.face_normals[:, 2] < -0.9])
    labels = np.r_[np.zeros(len(wall.faces)), np.full(len(skirt.faces), -1)].astype(np.int32)
    both = trimesh.util.concatenate([wall, skirt])
    vertices, faces = np.asarray(both.vertices), np.asarray(both.faces, dtype=np.int32)
    for _ in range(3):
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
        labels = np.repeat(labels, 4)
    hole = bore("H1", [0.0, 0.0, 0.0], UP, 4.0, length=10.0)
    return Scan(Surface.measured(vertices, faces), labels, (hole,), Scene(()), bare_box().noise)


def sheet(turn: float, edge: float, size: float) -> Scan:
    """A square in a net of its own, that goes through the line along x in its middle and leans by `turn` there."""
    steps = int(size / edge)
    at = np.linspace(-0.5 * size, 0.5 * size, steps + 1)
    x, y = (v.ravel() for v in np.meshgrid(at, at, indexing="ij"))
    corner = (np.arange(steps)[:, None] * (steps + 1) + np.arange(steps)).ravel()
    a, b, c, d = corner, corner + steps + 1, corner + steps + 2, corner + 1
    faces = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    points = np.column_stack([x, y * np.cos(turn), y * np.sin(turn)])
    return Scan(Surface.measured(points, faces), np.full(len(faces), -1, np.int32), (), Scene(()), bare_box().noise)


@pytest.mark.parametrize(("turn", "length"), [(90.0, 40.0), (60.0, 40.0), (30.0, 0.0)])
def test_the_length_of_a_line_along_which_two_sheets_cross(turn: float, length: float) -> None:
    """Two squares of 40 mm through one line: by hand. What is not steep may be one surface."""
    stays, laid = sheet(0.0, 0.9, 40.0), sheet(np.radians(turn), 1.1, 40.0)
    sample = laid.sample(4000)
    # Nothing is asked at rims, where the outermost facets are.
    assert crossed(stays, sample, np.eye(4), laid.area) == pytest.approx(length, rel=0.15)
    aside = rigid(np.eye(3), np.array([0.0, 60.0, 0.0]))
    assert crossed(stays, sample, aside, laid.area) == 0.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("set-ups")


@pytest.fixture(scope="module")
def made() -> tuple[SetUp, SetUp]:
    return joined_block().made


@pytest.fixture(scope="module")
def scans() -> tuple[Scan, Scan]:
    one, other = (scan_of(alone.clean, alone.recover) for alone in joined_block().alone)
    return one, other


@pytest.fixture(scope="module")
def found(scans) -> SetUpPose:
    (pose,) = set_up_poses(*scans)
    return pose


def disc():
    """A plain disc with eight equal holes on a circle: it looks the same in sixteen places."""
    shape = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 40.0, 18.0).Shape()
    for turn in np.arange(8) * np.pi / 4.0:
        at = gp_Pnt(28.0 * float(np.cos(turn)), 28.0 * float(np.sin(turn)), -1.0)
        shape = BRepAlgoAPI_Cut(shape, BRepPrimAPI_MakeCylinder(gp_Ax2(at, gp_Dir(0, 0, 1)), 4.5, 20.0).Shape()).Shape()
    return shape


def test_the_pose_is_right_and_within_what_is_said(made, found) -> None:
    true = made[0].to_scan @ np.linalg.inv(made[1].to_scan)
    off = small_motion(found.motion @ np.linalg.inv(true))
    assert off @ np.linalg.solve(found.covariance, off) < chi2.ppf(0.999, 6)
    assert corner_error(found.motion, *made) < 0.05
    assert found.stands
    assert not len(found.open)
    # Nothing is said of a pose that a twentieth of a millimetre would have to hide in.
    assert np.sqrt(np.diag(found.covariance)[3:]).max() * 60.0 < 0.05


def test_shared_features_and_skin_lie_on_each_other_within_noise(scans, found) -> None:
    shared = shared_misfits(*scans, found, found.pairs)
    assert len(shared) >= 5
    assert not any(apart for _, apart in shared)
    where = misfit_map(*scans, found)
    assert len(where.places) > 20
    # Standardised, the cells scatter as noise does; they share long waves, so that their number is no guide.
    assert np.median(np.abs(where.off / where.sigma)) < 2.0


def test_facets_beside_an_edge_hold_nothing_across_it(made, scans) -> None:
    """The block's faces lie along its axes, exactly: a normal on one of them that leans is one that an edge bent, and
    would hold a shift along the face. By the angle, the noise of 12 um over edges of 1.6 mm leans them by a degree."""
    for one, scan in zip(made, scans, strict=True):
        vertices, faces = scan.surface.vertices, scan.surface.faces
        middles = vertices[faces].mean(axis=1)
        outside = abs(abs(transformed(np.linalg.inv(one.to_scan), middles)) - (45.0, 35.0, 30.0)).min(axis=1) < 0.1
        flat = abs(turned(np.linalg.inv(one.to_scan), facet_normals(vertices, faces))).max(axis=1)
        on_side = outside & (flat > np.cos(np.radians(5.0)))
        leans = {}
        for what, mask in (("smooth", scan.smooth), ("clear", scan.clear)):
            facets = np.flatnonzero(mask & on_side)
            normals = turned(np.linalg.inv(one.to_scan), scan.normals_at(middles[facets], facets))
            leans[what] = np.degrees(np.arccos(np.clip(abs(normals).max(axis=1), 0.0, 1.0)))
        assert np.quantile(leans["clear"], 0.999) < 3.0
        assert np.quantile(leans["smooth"], 0.99) > 10.0
        assert len(leans["clear"]) > 0.6 * len(leans["smooth"])


def test_the_map_of_misfits_keeps_off_edges(made, scans, found) -> None:
    """On the block's faces, which lie along its axes, no cell has a mean normal that leans, as one at an edge has."""
    where = misfit_map(*scans, found)
    back = np.linalg.inv(made[0].to_scan)
    on_face = abs(abs(transformed(back, where.places)) - (45.0, 35.0, 30.0)).min(axis=1) < 0.1
    assert np.count_nonzero(on_face) > 50
    leans = np.degrees(np.arccos(np.clip(abs(turned(back, where.ways[on_face])).max(axis=1), 0.0, 1.0)))
    assert leans.max() < 1.0


def test_a_scan_that_is_too_large_is_told() -> None:
    """Features of a block, exactly known, and the same 0.2 % larger about a point of their own."""
    features = tuple(solid_block())
    grown = tuple(replace(f, point=1.002 * f.point + [3.0, -1.0, 2.0]) for f in features)
    motion = rigid(np.eye(3), np.array([-3.0, 1.0, -2.0]))
    pairs = tuple((k, k) for k in range(len(features)))
    lies = SetUpPose(motion, 1e-6 * np.eye(6), pairs, 0.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 6)), 9)
    known, larger = (SimpleNamespace(fits=fits_of(these)) for these in (features, grown))
    share, sigma = scale_between(known, larger, lies)
    assert share == pytest.approx(0.002, abs=1e-5)
    assert 0.0 < sigma < 4e-4
    same, _ = scale_between(known, known, replace(lies, motion=np.eye(4)))
    assert same == pytest.approx(0.0, abs=1e-9)


def bent(scan: Scan, to_scan: np.ndarray, bow: float, turn: float) -> Scan:
    """The block's scan, bent sideways by `bow` over its length of 90 mm along x, one end turned by `turn` rad."""
    points = transformed(np.linalg.inv(to_scan), scan.surface.vertices)
    share = points[:, 0] / 90.0
    angle = turn * share
    y, z = points[:, 1].copy(), points[:, 2].copy()
    points[:, 1], points[:, 2] = y - angle * z + 4.0 * bow * share**2, z + angle * y
    surface = replace(scan.surface, vertices=transformed(to_scan, points))
    return Scan(surface, scan.labels, scan.features, scan.scene, scan.noise)


@pytest.mark.parametrize(("bow", "turn"), [(0.06, 0.0), (0.0, 2e-3)])
def test_a_part_that_is_bent_or_twisted_in_one_scan_is_told(made, scans, found, bow: float, turn: float) -> None:
    """Both saw the sides, y = +-35 mm, along which the bow shows."""
    other = bent(scans[1], made[1].to_scan, bow, turn)
    told = bend_between(scans[0], other, misfit_map(scans[0], other, found))
    assert told.stands_out
    if bow:
        assert told.bow == pytest.approx(bow, abs=3.0 * told.bow_sigma + 0.1 * bow)
    else:
        assert abs(told.twist) == pytest.approx(turn, abs=3.0 * told.twist_sigma + 0.1 * turn)
    straight = bend_between(*scans, misfit_map(*scans, found))
    assert not straight.stands_out
    assert straight.bow < 3.5 * straight.bow_sigma


def lying(shift: float, sigma: float, pairs: tuple[tuple[int, int], ...] = ()) -> SetUpPose:
    """A pose aside by mm along x, that says it is known so well along it, and a tenth of that otherwise."""
    spread = np.diag(np.square([sigma, *np.full(2, 0.1 * sigma), *np.full(3, 0.1 * sigma / 30.0)]))
    motion = rigid(np.eye(3), np.array([shift, 0.0, 0.0]))
    return SetUpPose(motion, spread, pairs, 0.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 6)), 9)


def test_a_pose_that_starts_aside_do_not_come_back_to_is_known_less_well() -> None:
    """A bare box lies at 0 and nowhere else: a pose of 0.2 mm that claims 0.05 has to own up to it."""
    box = bare_box()
    points = box.sample(4000)
    fits = np.zeros((0, 0), dtype=bool)
    right, wrong = (_tried_aside(box, box, points, lying(x, 0.05), fits, Word()) for x in (0.0, 0.2))
    assert np.sqrt(right.covariance[0, 0]) == pytest.approx(0.05, rel=1e-6)
    assert np.sqrt(wrong.covariance[0, 0]) == pytest.approx(np.hypot(0.05, 0.2), rel=0.02)
    assert not len(wrong.open)


def test_poses_of_one_valley_are_one_place_and_a_long_one_is_open() -> None:
    points = bare_box().sample(4000).points
    (near,) = _one_place([lying(0.0, 0.1), lying(0.4, 0.1)], points)
    assert np.sqrt(near.covariance[0, 0]) == pytest.approx(np.hypot(0.1, 0.4))
    assert not len(near.open)
    (far,) = _one_place([lying(0.0, 0.8), lying(1.9, 0.8)], points)
    assert np.abs(far.open / np.linalg.norm(far.open))[0] == pytest.approx([1, 0, 0, 0, 0, 0], abs=1e-9)
    assert len(_one_place([lying(0.0, 0.1), lying(2.0, 0.1)], points)) == 2
    assert len(_one_place([lying(0.0, 0.1), lying(0.4, 0.1, ((0, 0),))], points)) == 2


def test_few_facets_say_nothing_however_many_points_lie_on_them() -> None:
    box = bare_box()
    sample = box.sample(40_000)
    found = met(box, sample, np.eye(4))
    some = np.isin(found.facets, np.unique(found.facets)[:20])
    assert some.sum() > 30
    few = Met._make(column[some] for column in found)
    assert pull(box, box, sample, few, np.zeros(3)) is None
    assert pull(box, box, sample, found, np.zeros(3)) is not None


def test_misfits_that_hang_together_over_patches_widen_what_is_said() -> None:
    """The same rms as white noise of each point would make, but one sign over each patch of 8 mm."""
    box = bare_box()
    sample = box.sample(4000)
    found = met(box, sample, np.eye(4))
    rng = np.random.default_rng(3)
    cells = np.unique(np.floor(found.points / 8.0), axis=0, return_inverse=True)[1].ravel()
    white = found._replace(off=0.004 * rng.choice([-1.0, 1.0], len(found.off)))
    patchy = found._replace(off=0.004 * rng.choice([-1.0, 1.0], cells.max() + 1)[cells])
    one, other = (pull(box, box, sample, f, np.zeros(3)).covariance for f in (white, patchy))
    assert np.trace(other) > 3.0 * np.trace(one)


def test_what_the_user_says_is_followed(scans, found) -> None:
    first = found.pairs[0]
    (again,) = set_up_poses(*scans, Word(same=(first,), turned_over=True))
    assert np.allclose(again.motion, found.motion, atol=1e-3)
    wrong = (first[0], next(j for i, j in found.pairs if j != first[1]))
    assert set_up_poses(*scans, Word(same=(wrong,))) == []


def test_a_block_that_looks_the_same_half_turned_is_given_both_places(folder) -> None:
    """From above and from below only its sides are shared, and they are the same after half a turn about z."""
    tilts = (40.0, 65.0)
    made = [brep_set_up(block(), "block", way * UP, folder, edge=1.8, tilts=tilts, seed=24) for way in (1.0, -1.0)]
    found = set_up_poses(*(scanned(one, folder) for one in made))
    assert len(found) == 2
    assert min(corner_error(pose.motion, *made) for pose in found) < 0.05


@cache
def _disc_scans(folder):
    shape, tilts = disc(), (50.0, 70.0)
    pair = (
        brep_set_up(shape, "disc", UP, folder, edge=1.6, tilts=tilts, seed=31),
        brep_set_up(shape, "disc", -UP, folder, edge=1.6, tilts=tilts, seed=32),
    )
    return pair, tuple(scanned(one, folder) for one in pair)


def test_a_disc_with_equal_holes_is_given_no_place(folder) -> None:
    _, scans = _disc_scans(folder)
    found = set_up_poses(*scans)
    assert len(found) > 1 or len(found[0].open)


def test_a_sleeve_of_which_both_show_walls_alone_is_open(folder) -> None:
    """A flanged sleeve turned over: what it shares are walls on one axis, which leave it free to turn and to slide."""
    up = gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))
    flange, body = (BRepPrimAPI_MakeCylinder(up, *size).Shape() for size in ((34.0, 10.0), (20.0, 60.0)))
    whole = BRepAlgoAPI_Fuse(flange, body).Shape()
    shape = BRepAlgoAPI_Cut(whole, BRepPrimAPI_MakeCylinder(up, 13.0, 60.0).Shape()).Shape()
    sides = [
        brep_set_up(shape, "sleeve", way * UP, folder, edge=1.2, tilts=(50.0, 70.0), seed=61 + k)
        for k, way in enumerate((1.0, -1.0))
    ]
    poses = set_up_poses(*(scanned(one, folder) for one in sides))
    assert poses
    assert all(len(one.open) for one in poses)


def test_a_size_measured_across_closes_what_slides(folder) -> None:
    made, scans = _disc_scans(folder)
    faces = [next(i for i, f in enumerate(s.features) if f.kind == "plane" and f.extent.area > 2000) for s in scans]
    size = Across(faces[0], faces[1], 18.0, 0.01)
    found = set_up_poses(*scans, Word(across=(size,), turned_over=True))
    true = made[0].to_scan @ np.linalg.inv(made[1].to_scan)
    axis = made[0].to_scan[:3, 2]
    best = min(found, key=lambda pose: corner_error(pose.motion, *made))
    assert not len(best.open)
    assert all(scans[0].looks @ pose.motion[:3, :3] @ scans[1].looks < 0.0 for pose in found)
    middle = transformed(made[1].to_scan, np.array([0.0, 0.0, 9.0]))
    off = transformed(best.motion, middle) - transformed(true, middle)
    assert abs(off @ axis) < 0.04
