"""What stands for the skin of a scan about a place, against a surface that is no quadric and noise of a known size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from pipeline.fitup import Placed
from pipeline.fitup.skin import _LEFT, SkinPatch, skin_patch
from tests.fitup.test_clearance import at, body

STEEP = 2e-3  # mm at 1 mm, times the fourth power of how far


def sheet(noise: float, random: np.random.Generator) -> Placed:
    """A sheet of facets some 0.5 mm long, its vertices anywhere but in rows, that rises with the fourth power."""
    steps = np.arange(-6.0, 6.01, 0.5)
    x, y = (g.ravel() for g in np.meshgrid(steps, steps))
    x, y = x + random.uniform(-0.12, 0.12, x.shape), y + random.uniform(-0.12, 0.12, y.shape)
    z = 0.02 * x**2 - 0.01 * x * y + STEEP * (x**2 + y**2) ** 2 + random.normal(0.0, noise, x.shape)
    n, k = len(steps), np.arange(len(steps) ** 2 - len(steps))
    k = k[k % n < n - 1]
    faces = np.concatenate([np.column_stack([k, k + 1, k + n + 1]), np.column_stack([k, k + n + 1, k + n])])
    mesh = trimesh.Trimesh(np.column_stack([x, y, z]), faces, process=False)
    return at(replace(body("sheet", mesh), skin=None))


def patch_of(part: Placed) -> tuple[SkinPatch, float]:
    """About the vertex in the middle, and how far what stands for it lies off the sheet there, mm."""
    middle = int(np.argmin(np.linalg.norm(part.vertices, axis=1)))
    facet = int(np.flatnonzero((part.body.surface.faces == middle).any(axis=1))[0])
    place = part.vertices[middle]
    found = skin_patch(part, facet, place)
    assert found is not None
    x, y, z = place + found.step
    return found, float(z - (0.02 * x**2 - 0.01 * x * y + STEEP * (x**2 + y**2) ** 2))


def test_what_a_quadric_misses_of_a_disc() -> None:
    """Of r^4, over a disc that is evenly covered, by least squares with even and with tricube weights."""
    steps = np.linspace(-1.0, 1.0, 401)
    x, y = (g.ravel() for g in np.meshgrid(steps, steps))
    x, y = x[x**2 + y**2 < 1.0], y[x**2 + y**2 < 1.0]
    far = np.hypot(x, y)
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    even, closer = (
        np.linalg.solve(design.T @ (design * w[:, None]), design.T @ (w * far**4))[0]
        for w in (np.ones(len(x)), (1.0 - far**3) ** 3)
    )
    assert closer / (even - closer) == pytest.approx(_LEFT, rel=2e-3)


def test_noise_is_known_by_its_scatter() -> None:
    """Of 200 sheets of 10 um of noise two standard uncertainties hold 95 %: at least 180 of them (binomial, 99.9 %),
    and no more than is left of a few degrees of freedom."""
    random = np.random.default_rng(12)
    held, sizes, errors = 0, [], []
    for _ in range(200):
        found, error = patch_of(sheet(0.010, random))
        held += abs(error) <= 2.0 * np.hypot(found.size, found.shape)
        sizes.append(found.size)
        errors.append(error)
    assert held >= 180
    assert 0.8 < np.sqrt(np.mean(np.square(sizes))) / np.std(errors) < 1.25
