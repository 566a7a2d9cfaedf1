"""Least-squares elements against published values, reference libraries and an independent solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from skimage.measure import CircleModel
from skspatial.objects import Cylinder, Plane, Points, Sphere

from pipeline.features.fitting.least_squares import fit
from pipeline.geometry import fit_circle
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import Shape

# Each: points x, y; centre, radius; tolerance of the digits printed.
PUBLISHED = {
    # Gander, Golub, Strebel, BIT 34 (1994) 558-578, doi 10.1007/BF01934268: points from memory, the geometric
    # fit recomputed with a general solver.
    "gander": ([1, 2, 5, 7, 9, 3], [7, 6, 8, 7, 5, 7], (4.739782, 2.983533), 4.714226, 1e-6),
    # SciPy Cookbook, "Least squares circle", first data set, recomputed.
    "cookbook": ([9, 35, -13, 10, 23, 0], [34, 10, 6, -14, 27, -10], (10.50009, 9.65995), 23.33353, 1e-5),
    # SciPy Cookbook, second data set (a short arc), points from memory, recomputed; the algebraic fit is 5 mm off.
    "short arc": ([36, 36, 19, 18, 33, 26], [14, 10, 28, 31, 18, 26], (9.88757, 3.68750), 27.35044, 1e-5),
}
# Norms of residuals of the same: Gander et al. 1.107971; SciPy Cookbook, sum of squares 7.71185.
NORMS = {"gander": 1.107971, "cookbook": np.sqrt(7.71185)}


@pytest.mark.parametrize("name", PUBLISHED)
def test_circle_as_published(name):
    x, y, centre, radius, digit = PUBLISHED[name]
    points = np.column_stack([x, y]).astype(float)
    found, size, _ = fit_circle(points)
    assert found == pytest.approx(centre, abs=0.6 * digit)
    assert size == pytest.approx(radius, abs=0.6 * digit)
    if name in NORMS:
        left = np.hypot(*(points - found).T) - size
        assert np.linalg.norm(left) == pytest.approx(NORMS[name], abs=1e-5)


@pytest.mark.parametrize("name", PUBLISHED)
def test_cylinder_over_the_published_circles(name):
    # Two copies of a circle's points, one above the other: the cylinder over it, with the axis free.
    x, y, centre, radius, digit = PUBLISHED[name]
    flat = np.column_stack([x, y, np.zeros(len(x))]).astype(float)
    points = np.vstack([flat - [0, 0, 30], flat - [0, 0, -30]])
    start = Shape("cylinder", np.array([*centre, 0.0]) + 0.3, np.array([0.02, -0.01, 1.0]) / 1.00025, radius * 1.02)
    shape = fit("cylinder", points, start, robust=False).shape
    assert shape.direction is not None
    at = shape.point - shape.direction * shape.point[2] / shape.direction[2]
    assert at[:2] == pytest.approx(centre, abs=0.6 * digit)
    assert shape.radius == pytest.approx(radius, abs=0.6 * digit)
    assert abs(shape.direction[2]) == pytest.approx(1.0, abs=1e-9)


def test_circle_as_scikit_image_fits_it(rng):
    # scikit-image's CircleModel is algebraic: the same circle in the limit of small noise.
    turn = rng.uniform(0, 2 * np.pi, 400)
    points = np.column_stack([12 * np.cos(turn) + 3, 12 * np.sin(turn) - 8]) + rng.normal(0, 1e-5, (400, 2))
    theirs = CircleModel.from_estimate(points)
    centre, radius, _ = fit_circle(points)
    assert [*centre, radius] == pytest.approx([*theirs.center, theirs.radius], rel=1e-6)


def _turned(rng):
    return np.linalg.qr(rng.normal(size=(3, 3)))[0]


def _cloud(kind, rng, noise=0.02):
    """Noisy points (n, 3) on a known shape in general position, and that shape."""
    frame, place = _turned(rng), rng.uniform(-50, 50, 3)
    turn = rng.uniform(0, 2 * np.pi, 500)
    if kind == "plane":
        local = np.column_stack([rng.uniform(-30, 30, 500), rng.uniform(-20, 20, 500), np.zeros(500)])
        shape = Shape("plane", place, frame[2])
    elif kind == "cylinder":
        local = np.column_stack([14 * np.cos(turn), 14 * np.sin(turn), rng.uniform(-15, 15, 500)])
        shape = Shape("cylinder", place, frame[2], 14.0)
    elif kind == "cone":
        z = rng.uniform(-8, 8, 500)
        radius = 20 + z * np.tan(0.5)
        local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])
        shape = Shape("cone", place, frame[2], 20.0, 0.5)
    elif kind == "sphere":
        away = rng.normal(size=(500, 3))
        away[:, 2] = np.abs(away[:, 2])
        local = 9 * away / np.linalg.norm(away, axis=1, keepdims=True)
        shape = Shape("sphere", place, None, 9.0)
    else:
        tube = rng.uniform(-2, 2, 500)
        radius = 25 + 4 * np.cos(tube)
        local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), 4 * np.sin(tube)])
        shape = Shape("torus", place, frame[2], 4.0, major_radius=25.0)
    points = local @ frame + place
    return points + rng.normal(0, noise, points.shape), shape


def test_plane_as_scikit_spatial_fits_it(rng):
    points, truth = _cloud("plane", rng)
    theirs = Plane.best_fit(Points(points))
    ours = fit("plane", points, truth, robust=False).shape
    assert abs(ours.direction @ theirs.normal) == pytest.approx(1.0, abs=1e-12)
    assert (ours.point - theirs.point) @ ours.direction == pytest.approx(0.0, abs=1e-9)


def test_sphere_as_scikit_spatial_fits_it(rng):
    # scikit-spatial's sphere is algebraic: the same as the geometric one in the limit of small noise.
    points, truth = _cloud("sphere", rng, noise=1e-5)
    theirs = Sphere.best_fit(Points(points))
    ours = fit("sphere", points, truth, robust=False).shape
    assert ours.radius == pytest.approx(theirs.radius, rel=1e-6)
    assert ours.point == pytest.approx(theirs.point, rel=1e-6)


def test_cylinder_as_scikit_spatial_fits_it(rng):
    # Its cylinder minimises another sum (squared distances' differences, Eberly): the same at small noise.
    points, truth = _cloud("cylinder", rng, noise=1e-5)
    theirs = Cylinder.best_fit(Points(points))
    ours = fit("cylinder", points, truth, robust=False).shape
    axis = theirs.vector / np.linalg.norm(theirs.vector)
    assert ours.radius == pytest.approx(theirs.radius, rel=1e-6)
    assert np.linalg.norm(np.cross(ours.direction, axis)) < 1e-6
    assert np.linalg.norm(np.cross(ours.point - theirs.point, axis)) < 1e-6 * 14


# The independent solver: distances written out here, direction by two angles about the start, no derivatives.
def _solved(kind, points, start):
    frame = np.linalg.svd(np.eye(3) if start.direction is None else start.direction[None])[2]
    axis = frame[0] * np.sign(frame[0] @ start.direction) if start.direction is not None else frame[0]
    u, v = frame[1], frame[2]

    def parts(x):
        d = axis + x[3] * u + x[4] * v
        d = d / np.linalg.norm(d)
        q = points - (start.point + x[:3])
        t = q @ d
        return q, t, np.sqrt(np.maximum(np.einsum("ij,ij->i", q, q) - t * t, 0)), d

    def distance(x):
        q, t, rho, _ = parts(x)
        if kind == "plane":
            return np.append(t, 1e-3 * (np.array([x[:3] @ u, x[:3] @ v])))
        along = 1e-3 * np.array([x[:3] @ axis])
        if kind == "cylinder":
            return np.append(rho - x[5], along)
        if kind == "cone":
            return np.append((rho - x[5]) * np.cos(x[6]) - t * np.sin(x[6]), along)
        if kind == "sphere":
            return np.append(np.linalg.norm(q, axis=1) - x[5], 1e-3 * x[3:5])
        return np.hypot(rho - x[6], t) - x[5]

    sizes = {
        "plane": [],
        "cylinder": [start.radius],
        "cone": [start.radius, start.half_angle],
        "sphere": [start.radius],
        "torus": [start.radius, start.major_radius],
    }[kind]
    result = least_squares(distance, [0.0] * 5 + sizes, xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    _, _, _, d = parts(result.x)
    return start.point + result.x[:3], d, result.x[5:]


@pytest.mark.parametrize("kind", ["plane", "cylinder", "cone", "sphere", "torus"])
def test_as_an_independent_solver_fits_it(kind, rng):
    # The method: orthogonal distances by Levenberg-Marquardt, Shakarji, J. Res. NIST 103 (1998) 633-641,
    # doi 10.6028/jres.103.043; Forbes, NPL Report DITC 140/89.
    points, truth = _cloud(kind, rng)
    point, direction, sizes = _solved(kind, points, truth)
    ours = fit(kind, points, truth, robust=False).shape
    away = ours.point - point
    if kind == "plane":
        assert away @ direction == pytest.approx(0.0, abs=1e-6)
    elif kind in ("cylinder", "cone"):
        assert np.linalg.norm(np.cross(away, direction)) < 1e-6 * ours.radius
    else:
        assert np.linalg.norm(away) < 1e-6 * ours.radius
    if ours.direction is not None:
        assert np.linalg.norm(np.cross(ours.direction, direction)) < 1e-6
    if kind == "cone":
        # Both radii at our point.
        sizes = [sizes[0] + (away @ direction) * np.tan(sizes[1]), sizes[1]]
        assert [ours.radius, ours.half_angle] == pytest.approx(sizes, rel=1e-6)
    elif kind == "torus":
        assert [ours.radius, ours.major_radius] == pytest.approx(sizes, rel=1e-6)
    elif kind != "plane":
        assert ours.radius == pytest.approx(sizes[0], rel=1e-6)
    # No nearby shape has a smaller sum of squares than ours.
    least = np.sum(signed_distance(ours, points) ** 2)
    assert least <= np.sum(signed_distance(truth, points) ** 2)


@pytest.fixture
def rng():
    return np.random.default_rng(7)
