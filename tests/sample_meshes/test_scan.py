"""The demo scan is what it says: closed before it is damaged, exact, as noisy as told, with an honest truth."""

from __future__ import annotations

import importlib.util
import json
import os
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from sample_meshes import make_demo
from sample_meshes.design import Design
from sample_meshes.make_scan import DEBRIS, PLUG, SECOND_PASS, STUB, Noise, make_scan, noise_along_normal
from sample_meshes.meshing import mesh
from tests.scans import demo_scan

HOME = Path(__file__).resolve().parents[2]
OBLIQUE = np.linalg.qr(np.array([[1.0, 2.0, 0.5], [-1.0, 1.0, 2.0], [0.3, -1.0, 1.0]]))[0]


@pytest.fixture(scope="module")
def scan():
    return demo_scan(120_000, 5)


def half_edges(faces):
    return faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)


@pytest.mark.parametrize("meshing", ["even", "cubes"])
@pytest.mark.parametrize("design", [None, 1, 2, 3])
def test_mesh_is_closed_and_manifold(meshing, design):
    part = (Design.sample() if design is None else Design.varied(design)).part()
    vertices, faces = mesh(part.solid, part.low, part.high, 3.0, OBLIQUE, meshing)
    edges, counts = np.unique(half_edges(faces), axis=0, return_counts=True)
    assert (counts == 1).all(), "an edge is used twice in the same direction"
    assert {tuple(e) for e in edges} == {(b, a) for a, b in edges}
    volume = np.einsum("ij,ij->", vertices[faces[:, 0]], np.cross(vertices[faces[:, 1]], vertices[faces[:, 2]]))
    assert volume > 0
    assert np.abs(part.solid.distance(vertices, rounded=True)).max() < 1e-4
    assert np.mean(np.abs(part.solid.distance(vertices, rounded=True)) > 1e-8) < 1e-3


def test_even_facets_are_near_isotropic(scan):
    a, b, c = (scan.true_vertices[scan.faces[scan.label >= 0][:, k]] for k in range(3))
    sides = [np.linalg.norm(p - q, axis=1) for p, q in ((a, b), (b, c), (c, a))]
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    quality = 4.0 * np.sqrt(3.0) * area / sum(s**2 for s in sides)
    assert np.median(quality) > 0.85
    assert np.percentile(quality, 1) > 0.3


@pytest.mark.parametrize("facets", [40_000, 120_000])
def test_facets_asked_for(facets):
    assert len(demo_scan(facets, 5).faces) == pytest.approx(facets, rel=0.05)


def test_machined_faces_are_exact(scan):
    # Away from edges the sharp and the rounded solid agree, and the vertices lie on both.
    part_vertices = np.unique(scan.faces[scan.label > 0])
    on_face = scan.face_of(scan.true_vertices[part_vertices]) > 0
    away = np.abs(scan.distance(scan.true_vertices[part_vertices]))
    assert np.mean(away[on_face] < 1e-6) > 0.9
    assert away.max() < 0.45


def test_noise_is_as_told(scan):
    on_part = np.unique(scan.faces[scan.label >= 0])
    moved = np.linalg.norm((scan.vertices - scan.true_vertices)[on_part], axis=1)
    assert np.sqrt(np.mean(moved**2)) == pytest.approx(np.sqrt(0.012**2 + 0.005**2 + 0.004**2), rel=0.05)


@pytest.mark.parametrize("length", [2.5, 25.0])
def test_waves_have_their_correlation_length(length):
    # By definition the covariance at distance d is sigma^2 exp(-d^2 / (2 length^2)).
    rng = np.random.default_rng(1)
    points = rng.uniform(-40 * length, 40 * length, (200_000, 3))
    away = rng.standard_normal(points.shape)
    away *= length / np.linalg.norm(away, axis=1)[:, None]
    both = noise_along_normal(np.vstack([points, points + away]), Noise(0.0, ((0.005, length),)), rng)
    here, there = np.split(both, 2)
    assert np.std(here) == pytest.approx(0.005, rel=0.05)
    assert np.mean(here * there) / np.mean(here**2) == pytest.approx(np.exp(-0.5), abs=0.05)


@pytest.mark.parametrize("name", ["bearing seat A", "bearing seat B", "seal bore"])
def test_independent_fit_of_a_bore_recovers_its_truth(scan, name):
    feature = next(f for f in scan.truth["features"] if f["name"] == name)
    face = scan.face(name)
    mine = np.unique(scan.faces[scan.label == face.number])
    # Facets on the face share corners with its neighbours and with rounded edges: those are left out.
    exact = scan.true_vertices[mine]
    mine = mine[(np.abs(scan.distance(exact)) < 1e-6) & (scan.face_of(exact) == face.number)]
    points = scan.to_part(scan.vertices[mine])

    def residuals(p):
        # The bore runs along x in part coordinates.
        axis = np.array([1.0, p[2], p[3]]) / np.sqrt(1.0 + p[2] ** 2 + p[3] ** 2)
        centre = np.array([feature["point"][0], p[0], p[1]])
        return np.linalg.norm(np.cross(points - centre, axis), axis=1) - p[4]

    fit = least_squares(residuals, [0, 0, 0, 0, 30.0], x_scale="jac").x
    assert fit[4] == pytest.approx(feature["radius"], abs=0.004)
    assert np.hypot(fit[0], fit[1]) < 0.005
    assert np.degrees(np.hypot(fit[2], fit[3])) < 0.03


def test_cast_skin_is_nowhere_plane(scan):
    # Patches of 12 mm radius that are all skin: none is a plane to within ten times the noise.
    skin = np.unique(scan.faces[scan.label == 0])
    skin = skin[scan.face_of(scan.true_vertices[skin]) == 0]
    points = scan.true_vertices[skin]
    rng = np.random.default_rng(0)
    spans = []
    for centre in points[rng.choice(len(points), 300)]:
        patch = points[np.linalg.norm(points - centre, axis=1) < 12.0] - centre
        _, _, axes = np.linalg.svd(patch - patch.mean(axis=0), full_matrices=False)
        spans.append(np.ptp(patch @ axes[2]))
    assert np.percentile(spans, 1) > 0.15


def test_gaps_are_empty_and_listed(scan):
    assert len(scan.gaps) == 5
    assert len(scan.truth["gaps"]) == 5
    for gap in scan.gaps:
        away = np.linalg.norm(scan.true_vertices - np.array(gap.centre), axis=1)
        assert away.min() > gap.radius - 1e-9
        assert away.min() < gap.radius + 2.0


def test_everything_that_can_stick_to_a_scan():
    scan = demo_scan(100_000, 6, gaps=40, gap_radius=(3.0, 6.0), stub=True, second_pass=True)
    assert len(scan.gaps) == 40
    assert {g.what.split(":")[0] for g in scan.gaps} == {"skin", "face", "edge"}
    for label in (PLUG, STUB, DEBRIS, SECOND_PASS):
        assert (scan.label == label).sum() > 50
    stub_edges = half_edges(scan.faces[scan.label == STUB])
    edges, counts = np.unique(np.sort(half_edges(scan.faces), axis=1), axis=0, return_counts=True)
    border = {tuple(e) for e in edges[counts == 1]}
    assert any(tuple(sorted(e)) in border for e in stub_edges), "the stub must run into the border"


def test_spray_makes_bores_small_and_bosses_big():
    scan = make_scan(40_000, 7, gaps=0, debris=0, plug=False, noise=Noise(0.0, ()), coating=0.2, pose=False)
    for name, grown in (("bearing seat A", -0.2), ("end boss", 0.2)):
        face = scan.face(name)
        centres = scan.true_vertices[np.unique(scan.faces[scan.label == face.number])]
        rho = np.hypot(centres[:, 1], centres[:, 2])
        assert np.median(rho) == pytest.approx(face.radius + grown, abs=1e-6)


def test_same_seed_same_scan_other_seed_other_scan():
    options = {"gaps": 1, "debris": 1}
    one, two, other = (make_scan(15_000, seed, **options) for seed in (8, 8, 9))
    assert np.array_equal(one.vertices, two.vertices)
    assert np.array_equal(one.faces, two.faces)
    assert one.truth == two.truth
    assert one.truth["to_scan"] != other.truth["to_scan"]


def test_varied_housings_differ_and_can_be_built():
    designs = [Design.varied(seed) for seed in range(40)]
    assert all(d.problems() == [] for d in designs)
    assert Design.sample().problems() == []
    assert len({d.bolt_count for d in designs}) > 2
    assert {d.ball_seat for d in designs} == {True, False}
    assert np.ptp([d.seat_a_radius for d in designs]) > 8.0


def test_inches(tmp_path):
    scan_path, truth_path = make_demo(tmp_path, 15_000, seed=3, units="in", gaps=0, debris=0)
    raw = scan_path.read_bytes()
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    corners = np.frombuffer(raw, record, offset=84)["corners"].reshape(-1, 3).astype(float)
    assert int.from_bytes(raw[80:84], "little") == len(corners) // 3
    truth = json.loads(truth_path.read_text())
    back = (corners * 25.4 - np.array(truth["to_scan"])[:3, 3]) @ np.array(truth["to_scan"])[:3, :3]
    part = Design.sample().part()
    assert np.percentile(np.abs(part.solid.distance(back)), 50) < 0.03
    assert {p.name for p in tmp_path.iterdir()} == {scan_path.name, truth_path.name}


def test_committed_sample_is_the_design_that_its_truth_tells():
    raw = (HOME / "sample_meshes" / "bearing_housing_scan.ply").read_bytes()
    truth = json.loads((HOME / "sample_meshes" / "bearing_housing_truth.json").read_text())
    header, body = raw.split(b"end_header\n", 1)
    words = header.split()
    count = int(words[words.index(b"vertex") + 1])
    facets = int(words[words.index(b"face") + 1])
    assert facets == truth["facets"]
    vertices = np.frombuffer(body, "<f4", 3 * count).reshape(-1, 3).astype(float)
    assert len(body) == 12 * count + 13 * facets
    turn = np.array(truth["to_scan"])
    away = np.abs(Design.sample().part().solid.distance((vertices - turn[:3, 3]) @ turn[:3, :3], rounded=True))
    # All but plug and crumbs lie on the part within the noise.
    assert np.mean(away < 0.07) > 0.97
    dimensions = json.loads((HOME / "sample_meshes" / "bearing_housing_dimensions.json").read_text())
    assert dimensions == json.loads(json.dumps(Design.sample().dimensions()))


def test_truth_scores_itself_perfectly(scan):
    script = Path(os.environ.get("DATUMLIFT_SCORER", HOME.parent / "shared" / "tools" / "score_features.py"))
    if not script.is_file():
        pytest.skip("the script that scores datum files is not here; set DATUMLIFT_SCORER to its path.")
    spec = importlib.util.spec_from_file_location("score_features", script)
    scorer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(scorer)
    matrix = np.array(scan.truth["to_scan"])
    found = [scorer.moved(f, matrix) | {"id": f["name"]} for f in scan.truth["features"]]
    result = scorer.score(scan.truth, {"features": found})
    assert result["recall"] == 1.0
    assert result["false"] == []
    assert all(row["found"] == row["name"] for row in result["rows"])
    assert sum(f["required"] for f in scan.truth["features"]) >= 20
