"""Putting vertices onto features, on a drum known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.simplification.feature_association import on_features, target_surface
from pipeline.mesh.topology.measures import facet_normals
from pipeline.values import Extent, Feature, Form, Uncertainty
from pipeline.values.surface import Surface
from tests.mesh.simplify.test_edge_collapse import _drum

RADIUS, HEIGHT, ROUND = 25.0, 60.0, 0.15


def _feature(id_: str, kind: str, direction: tuple[float, float, float], at: float, machined: bool = True) -> Feature:
    return Feature(
        id_,
        kind,
        None if kind == "plane" else "boss",
        np.array([0.0, 0.0, at]),
        np.array(direction),
        RADIUS if kind == "cylinder" else None,
        Uncertainty(None, None, None, ""),
        Form(0.0, 0.0, 1.0, "form"),
        Extent(1.0, 1),
        machined=machined,
    )


FEATURES = (
    _feature("wall", "cylinder", (0, 0, 1), 30.0),
    _feature("bottom", "plane", (0, 0, -1), 0.0),
    _feature("top", "plane", (0, 0, 1), HEIGHT),
)


@pytest.fixture
def rounded() -> tuple[Surface, np.ndarray, np.ndarray]:
    """The drum as a scanner leaves it: rims drawn in by 0.15 mm, the facets there without a feature."""
    vertices, faces, labels = _drum(RADIUS, HEIGHT, 180, 80)
    radius = np.hypot(vertices[:, 0], vertices[:, 1])
    rim = np.isclose(radius, RADIUS) & (np.isclose(vertices[:, 2], 0) | np.isclose(vertices[:, 2], HEIGHT))
    vertices[rim, :2] *= (RADIUS - ROUND) / RADIUS
    vertices[rim, 2] += np.where(vertices[rim, 2] < 1, ROUND, -ROUND)
    labels = np.where(rim[faces].any(axis=1), -1, labels).astype(np.int32)
    return Surface.measured(vertices, faces), labels, rim


def test_rounded_edges_stay_as_scanned(rounded: tuple[Surface, np.ndarray, np.ndarray]) -> None:
    surface, labels, rim = rounded
    target = on_features(surface.vertices, surface.faces, labels, FEATURES, 0.05)
    np.testing.assert_array_equal(target.vertices[rim], surface.vertices[rim])
    assert (target.carriers[rim] == -1).all()
    np.testing.assert_array_equal(target.labels, labels)


def test_rounded_edges_become_sharp_on_request(rounded: tuple[Surface, np.ndarray, np.ndarray]) -> None:
    surface, labels, rim = rounded
    target = on_features(surface.vertices, surface.faces, labels, FEATURES, 0.05, sharp=True)
    assert np.abs(np.hypot(*target.vertices[rim, :2].T) - RADIUS).max() < 1e-9
    assert np.minimum(abs(target.vertices[rim, 2]), abs(target.vertices[rim, 2] - HEIGHT)).max() < 1e-9
    assert (target.labels >= 0).all()
    turned = np.einsum(
        "ij,ij->i",
        facet_normals(surface.vertices, surface.faces),
        facet_normals(target.vertices, surface.faces),
    )
    assert turned.min() > 0.7


def test_a_vertex_too_far_off_is_not_the_features(rounded: tuple[Surface, np.ndarray, np.ndarray]) -> None:
    surface, labels, _ = rounded
    inside = int(surface.faces[np.flatnonzero(labels == 0)[5000], 0])
    vertices = surface.vertices.copy()
    vertices[inside] *= 1.02
    target = on_features(vertices, surface.faces, labels, FEATURES, 0.05)
    np.testing.assert_array_equal(target.vertices[inside], vertices[inside])
    assert (target.labels[(surface.faces == inside).any(axis=1)] == -1).all()


def test_a_cast_face_carries_nothing(rounded: tuple[Surface, np.ndarray, np.ndarray]) -> None:
    surface, labels, _ = rounded
    cast = (FEATURES[0], FEATURES[1], _feature("top", "plane", (0, 0, 1), HEIGHT, machined=False))
    target = on_features(surface.vertices, surface.faces, labels, cast, 0.05)
    assert not (target.labels == 2).any()


def test_noise_is_taken_off_but_rounded_edges_are_not() -> None:
    x, y = np.meshgrid(np.arange(120) * 0.3, np.arange(60) * 0.3)
    # Two planes at right angles with a rounding of 0.4 mm between them.
    along, radius = x.ravel() - 18.0, 0.4
    turn = np.clip(along / radius, 0, np.pi / 2)
    flat = np.clip(along, None, 0) + radius * np.sin(turn)
    down = radius * (1 - np.cos(turn)) + np.clip(along - radius * np.pi / 2, 0, None)
    exact = np.c_[flat, y.ravel(), -down]
    normal = np.c_[np.sin(turn), np.zeros_like(turn), np.cos(turn)]
    sigma = 0.012
    noise = np.random.default_rng(4).normal(0, sigma, len(exact))
    cell = (np.arange(59)[:, None] * 120 + np.arange(119)).ravel()
    faces = np.concatenate([np.c_[cell, cell + 1, cell + 121], np.c_[cell, cell + 121, cell + 120]]).astype(np.int32)
    none = np.full(len(faces), -1, np.int32)
    target = target_surface(exact + noise[:, None] * normal, faces, none, (), 0.1, sigma)
    off = np.einsum("ij,ij->i", target.vertices - exact, normal)
    inner = (np.abs(x.ravel() - 18) > 3) & (x.ravel() > 2) & (x.ravel() < 33) & (y.ravel() > 2) & (y.ravel() < 15)
    # A quadric through 61 points leaves about a third of white noise (its leverage there is 0.1).
    assert off[inner].std() < 0.45 * sigma
    near = np.abs(along - 0.3) < 0.5
    assert np.abs(off[near]).max() < 5 * sigma
