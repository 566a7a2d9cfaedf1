"""Open CAD parts made into scans: their exact cylinders are those that are known, and dense points lie on them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.scans import densify, open_part, scan_like


def near(cylinders, radius, length, arc=350.0):
    return [
        c
        for c in cylinders
        if abs(c.radius - radius) < 1e-4 * max(radius, 5.0) and abs(c.length - length) < 0.02 and c.arc > arc
    ]


def test_flared_housing_has_its_known_cylinders():
    # Source: the tessellation TR12J_OCC.stl of Debian's occt-misc, fitted independently: D170 L 60, D439
    # L 19.63, D190 L 50, D489 L 25, 16 holes D10 L 10 and 18 holes D10 L 15.
    cylinders = open_part("TR12J_OCC.stl").cylinders
    for radius, length, side in (
        (85.0, 60.0, "bore"),
        (219.5, 19.629, "bore"),
        (95.0, 50.0, "boss"),
        (244.5, 25.0, "boss"),
    ):
        assert [c.side for c in near(cylinders, radius, length)] == [side]
    assert len(near(cylinders, 5.0, 10.0)) == 16
    assert len(near(cylinders, 5.0, 15.0)) == 18


def test_dense_flared_housing_lies_on_its_exact_cylinders():
    part = open_part("TR12J_OCC.stl")
    vertices, faces = densify(part.vertices, part.faces, 5.0, 1, part.cylinders, part.cylinder_of)
    edges, counts = np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), 1), axis=0, return_counts=True)
    assert (counts == 2).all()
    size = np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1).mean()
    assert size == pytest.approx(5.0, rel=0.1)
    for radius, length in ((85.0, 60.0), (219.5, 19.629), (95.0, 50.0), (244.5, 25.0)):
        (c,) = near(part.cylinders, radius, length)
        w = vertices - c.point
        s = w @ c.direction
        rho = np.linalg.norm(w - s[:, None] * c.direction, axis=1)
        mine = (s > c.low + 6.0) & (s < c.high - 6.0) & (np.abs(rho - radius) < 0.2)
        assert mine.sum() > 50
        assert np.abs(rho[mine] - c.radius).max() < 1e-9


def test_bracket_has_the_cylinders_of_its_boundary_representation():
    # Source: build123d's nema-17-bracket.step: 18 cylinders, R 1.65 x 4, 2.25 x 12, 3, 16.
    part = open_part("nema-17-bracket.step")
    radii, counts = np.unique(np.round([c.radius for c in part.cylinders], 6), return_counts=True)
    assert dict(zip(radii, counts, strict=True)) == {1.65: 4, 2.25: 12, 3.0: 1, 16.0: 1}


def test_scan_of_an_open_part_is_noisy_and_posed():
    part = open_part("nema-17-bracket.step")
    scan = scan_like(part, 0.8, sigma=0.012, seed=2)
    back = (scan.vertices - scan.to_scan[:3, 3]) @ scan.to_scan[:3, :3]
    (bore,) = near(part.cylinders, 16.0, 3.0)
    w = back - bore.point
    s = w @ bore.direction
    rho = np.linalg.norm(w - s[:, None] * bore.direction, axis=1)
    mine = (np.abs(rho - 16.0) < 0.1) & (s > bore.low + 0.9) & (s < bore.high - 0.9)
    assert np.std(rho[mine] - 16.0) == pytest.approx(0.012, rel=0.25)
    assert not np.allclose(scan.to_scan, np.eye(4))
