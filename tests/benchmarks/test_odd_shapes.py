"""Shapes that are no machined casting: nothing false comes of them, in a time that goes with their size.

Bars of our own: a free form gives no feature of good confidence; a ball is found as one sphere and nothing else; one
drawn with facets that crowd at two poles, where the noise is larger than its edges, takes no more than forty times
the processor time of an even one for each facet. It takes twenty-one times as much, which is not in proportion to its
size; before what fits nothing barred its seeds it took over a hundred times.
Of a body of cubes, a facet's length each, every good plane is one that it was put together with.
The ball's diameter is the one that trimesh, which made it, was given.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
import trimesh

from tests.cubes import sponge, surface_of
from tests.stages.test_recover import recovered

NOISE, RADIUS = 0.012, 40.0  # mm
SLOWER = 40.0


def noisy(mesh, seed=3):
    return mesh.vertices + np.random.default_rng(seed).normal(0.0, NOISE, mesh.vertices.shape)


def timed(mesh):
    start = time.process_time()
    result = recovered(noisy(mesh), mesh.faces.astype(np.int32))
    return result, (time.process_time() - start) / len(mesh.faces)


@pytest.mark.slow
def test_a_ball_is_one_sphere_however_its_facets_are_spread() -> None:
    even = trimesh.creation.icosphere(7, RADIUS)
    timed(trimesh.creation.icosphere(6, RADIUS))
    result, each = timed(even)
    assert [f.kind for f in result.features] == ["sphere"]
    assert abs(result.features[0].radius - RADIUS) < 0.001
    crowded, slow = timed(trimesh.creation.uv_sphere(RADIUS, count=[450, 452]))
    print(f"{1e6 * each:.1f} us a facet, with crowded poles {1e6 * slow:.1f}")
    assert {f.kind for f in crowded.features} <= {"sphere"}
    assert slow < SLOWER * each


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_a_free_form_gives_nothing_good(seed: int) -> None:
    rng = np.random.default_rng(seed)
    blob = trimesh.creation.icosphere(7, RADIUS)
    out = blob.vertices / RADIUS
    for height, waves in ((3.0, 3.0), (2.0, 5.0), (1.0, 9.0)):
        blob.vertices += out * (height * np.sin(waves * (out @ rng.normal(size=3)) + rng.uniform(0.0, 6.0)))[:, None]
    result, _ = timed(blob)
    assert [f for f in result.features if f.confidence == "good"] == []


@pytest.mark.slow
def test_of_cubes_only_their_own_planes_are_good() -> None:
    body = surface_of(sponge(3), 3.0)
    result = recovered(noisy(body), body.faces.astype(np.int32))
    good = [f for f in result.features if f.confidence == "good"]
    assert {f.kind for f in good} == {"plane"}
    for face in good:
        assert face.direction is not None
        axis = int(np.argmax(np.abs(face.direction)))
        assert abs(face.direction[axis]) > 0.99999
        assert abs(face.point[axis] / 3.0 - round(face.point[axis] / 3.0)) < 0.01
