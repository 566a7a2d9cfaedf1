"""What is learnt of a scan's noise, against noise that was put in.

Covers: pipeline.features.uncertainty.white_noise, pipeline.features.uncertainty.noise_model
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty.noise_model import FittedFace, learn_noise
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.surfaces.shape import Shape
from pipeline.values import NoiseModel
from tests.cubes import sponge, surface_of
from tests.features.faces import grid, points_on, scanned, unit, waves


def bowl(x, y):
    return 2.0 * np.sin(x / 18) * np.cos(y / 14)


@pytest.mark.parametrize("sigma", [0.005, 0.012, 0.06])
@pytest.mark.parametrize("edge", [0.2, 0.8])
def test_white_noise_on_a_curved_surface(sigma, edge):
    vertices, faces, normals = grid(150, edge, bowl)
    rng = np.random.default_rng(1)
    vertices = vertices + rng.normal(0, sigma, len(vertices))[:, None] * normals
    assert white_sigma(vertices, faces) == pytest.approx(sigma, rel=0.03)


def test_white_noise_beside_edges_and_holes():
    # A roof: an edge in every tenth row, and a fifth of the facets missing.
    vertices, faces, _ = grid(150, 0.5, lambda x, y: np.abs((x % 10.0) - 5.0))
    rng = np.random.default_rng(2)
    side = np.where((vertices[:, 0] % 10.0) < 5.0, 1.0, -1.0)
    normals = np.column_stack([side, np.zeros(len(side)), np.ones(len(side))]) / np.sqrt(2)
    vertices = vertices + rng.normal(0, 0.012, len(vertices))[:, None] * normals
    faces = faces[rng.random(len(faces)) > 0.2]
    assert white_sigma(vertices, faces) == pytest.approx(0.012, rel=0.05)


def test_the_same_every_time():
    vertices, faces, normals = grid(100, 0.5, bowl)
    vertices = vertices + np.random.default_rng(3).normal(0, 0.01, len(vertices))[:, None] * normals
    assert white_sigma(vertices, faces) == white_sigma(vertices, faces)


def test_exact_geometry_has_none():
    # A tessellated cylinder between two flat ends, in float32 as files carry it.
    turn = np.arange(120) * (2 * np.pi / 120)
    ring = np.column_stack([40 * np.cos(turn), 40 * np.sin(turn)])
    vertices = np.vstack([np.column_stack([ring, np.full(120, z)]) for z in (0.0, 70.0)])
    k = np.arange(120)
    after = (k + 1) % 120
    sides = np.concatenate([np.column_stack([k, after, after + 120]), np.column_stack([k, after + 120, k + 120])])
    fan = np.column_stack([np.zeros(118, int), k[1:-1], k[2:]])
    faces = np.concatenate([sides, fan[:, ::-1], fan + 120]).astype(np.int32)
    turned = (vertices @ np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]).astype(np.float32)
    assert white_sigma(turned.astype(float), faces) == 0.0


def test_exact_free_form_with_few_flat_facets_has_none():
    # Of 11,000 pairs of facets 6 % lie in one plane: a small pad beside a free form.
    vertices, faces, _ = grid(60, 4.0, bowl)
    pad, flat, _ = grid(16, 4.0, lambda x, y: 0.3 * x + 0.2 * y)
    both = np.concatenate([vertices, pad + np.array([0.0, 0.0, 50.0])]).astype(np.float32).astype(float)
    assert white_sigma(both, np.concatenate([faces, flat + len(vertices)])) == 0.0


@pytest.mark.parametrize("sigma", [0.003, 0.01, 0.05])
@pytest.mark.parametrize("there", [sponge(3), np.random.default_rng(8).random((25, 25, 25)) < 0.3])
def test_white_noise_where_every_facet_has_an_edge_beside_it(there, sigma):
    # What quadrics leave here is the shape: millimetres.
    body = surface_of(there, 3.0)
    noisy = body.vertices + np.random.default_rng(5).normal(0.0, sigma, body.vertices.shape)
    assert white_sigma(noisy, body.faces.astype(np.int32)) == pytest.approx(sigma, rel=0.05)
    assert white_sigma(np.array(body.vertices), body.faces.astype(np.int32)) == 0.0


def test_nothing_to_measure():
    assert white_sigma(np.zeros((0, 3)), np.zeros((0, 3), np.int32)) == 0.0
    assert white_sigma(np.eye(3), np.array([[0, 1, 2]], np.int32)) == 0.0


def made_faces(rng, parts, white, spacing=1.0):
    """Fitted faces of a made-up part: three planes and two cylinders in one field of noise."""
    field = waves(rng, parts)
    shapes = [
        (Shape("plane", rng.uniform(-80, 80, 3), unit(rng)), (140.0, 100.0)),
        (Shape("plane", rng.uniform(-80, 80, 3), unit(rng)), (90.0, 80.0)),
        (Shape("plane", rng.uniform(-80, 80, 3), unit(rng)), (60.0, 60.0)),
        (Shape("cylinder", rng.uniform(-80, 80, 3), unit(rng), 31.0), (2 * np.pi, 40.0)),
        (Shape("cylinder", rng.uniform(-80, 80, 3), unit(rng), 18.0), (2 * np.pi, 50.0)),
    ]
    faces = []
    for shape, size in shapes:
        points = points_on(rng, shape, size, spacing)
        points = scanned(shape, points, field(points) + rng.normal(0, white, len(points)))
        faces.append(FittedFace(fit(shape.kind, points, shape).shape, points))
    return faces


def covariance_at(model, distance):
    return sum(s**2 * np.exp(-(distance**2) / (2 * length**2)) for s, length in model.components if length > 0)


def test_waves_are_learnt_from_what_fits_left():
    # The truth is that of the generator; six scans, since one has only a handful of the long waves on it.
    truth = [(0.008, 2.5), (0.005, 25.0)]
    models = [learn_noise(made_faces(np.random.default_rng(k), truth, 0.012), 0.012, 1.0) for k in range(6)]
    assert np.mean([m.sigma_white for m in models]) == pytest.approx(0.012, rel=0.06)

    def median(pick):
        return np.median([pick(m) for m in models])

    exact = NoiseModel(0.012, 0.0, np.array([[0.012, 0.0], *truth]), "exact")
    # How fast noise parts company over a few mm, three vertices and more, is the short waves' own.
    for distance in (3.0, 5.0, 8.0):
        expected = covariance_at(exact, 0.0) - covariance_at(exact, distance)
        found = median(lambda m, d=distance: covariance_at(m, 0.0) - covariance_at(m, d))
        assert found == pytest.approx(expected, rel=0.15)
    assert all(len(m.freedom) == len(m.components) and np.isinf(m.freedom[0]) for m in models)
    found = median(lambda m: np.sqrt(covariance_at(m, 10.0)))
    assert 0.8 < found / np.sqrt(covariance_at(exact, 10.0)) < 1.2


def test_white_noise_alone_makes_no_waves():
    model = learn_noise(made_faces(np.random.default_rng(5), [], 0.012), 0.012, 1.0)
    assert model.sigma_white == pytest.approx(0.012, rel=0.06)
    # What is left of the waves moves the mean of a face of 10,000 points by less than the white noise would.
    assert covariance_at(model, 0.0) < 0.02 * 0.012**2
    assert model.sigma_form == pytest.approx(0.012, rel=0.03)


def test_a_face_with_form_of_its_own_teaches_nothing():
    rng = np.random.default_rng(6)
    faces = made_faces(rng, [(0.004, 3.0)], 0.01)
    plain = learn_noise(faces, 0.01, 1.0)
    drafted = Shape("plane", np.zeros(3), unit(rng))
    points = points_on(rng, drafted, (120.0, 120.0), 1.0)
    bow = 2e-5 * np.sum((points - drafted.point) ** 2, axis=1)
    bowed = scanned(drafted, points, bow + rng.normal(0, 0.01, len(points)))
    with_skin = learn_noise([*faces, FittedFace(fit("plane", bowed, drafted).shape, bowed)], 0.01, 1.0)
    assert with_skin.sigma_form == pytest.approx(plain.sigma_form, rel=1e-12)


def test_no_face_large_enough():
    assert learn_noise([], 0.01, 0.5) is None
    few = FittedFace(Shape("plane", np.zeros(3), np.array([0, 0, 1.0])), np.random.default_rng(0).normal(size=(50, 3)))
    assert learn_noise([few], 0.01, 0.5) is None


def test_a_coarse_scan_teaches_by_many_faces_of_few_points():
    # Eight faces of 196 points each, as of a part with edges of 5 mm.
    found = []
    for k in range(4):
        rng = np.random.default_rng(k)
        field = waves(rng, [(0.005, 25.0)])
        faces = []
        for _ in range(8):
            shape = Shape("plane", rng.uniform(-80, 80, 3), unit(rng))
            points = points_on(rng, shape, (70.0, 70.0), 5.0)
            points = scanned(shape, points, field(points) + rng.normal(0, 0.012, len(points)))
            faces.append(FittedFace(fit("plane", points, shape).shape, points))
        found.append(np.sqrt(covariance_at(learn_noise(faces, 0.012, 5.0), 10.0)))
    assert np.median(found) == pytest.approx(0.005 * np.exp(-(10.0**2) / (4.0 * 25.0**2)), rel=0.35)
