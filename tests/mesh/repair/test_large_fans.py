"""Large fans are made smaller without changing what surface they are, and what does not go on straight is left."""

from __future__ import annotations

import time

import numpy as np
import pytest
import trimesh

from pipeline.mesh.query import Scene
from pipeline.mesh.repair.large_fans import smaller_fans
from pipeline.mesh.topology.defects import edge_report


def fan_drum(facets: int, tip: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A drum of radius 1 and height 1 with fans of so many facets at both ends, the upper one's point `tip` higher."""
    turn = 2.0 * np.pi * np.arange(facets) / facets
    ring = np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])
    v = np.vstack([ring, np.add(ring, [0.0, 0.0, 1.0]), [[0.0, 0.0, 0.0], [0.0, 0.0, 1.0 + tip]]])
    a, b = np.arange(facets), (np.arange(facets) + 1) % facets
    n = 2 * facets
    f = [
        np.column_stack([b, a, a * 0 + n]), np.column_stack([facets + a, facets + b, a * 0 + n + 1]),
        np.column_stack([a, b, facets + b]), np.column_stack([a, facets + b, facets + a]),
    ]  # fmt: skip
    return v, np.vstack(f).astype(np.int32)


@pytest.mark.parametrize("tip", [0.0, 1.0])
def test_a_fan_of_cad_becomes_smaller_and_stays_the_same_surface(tip: float) -> None:
    v, f = fan_drum(10_000, tip)
    smaller, changed = smaller_fans(v, f, 2_000)
    assert np.bincount(smaller.ravel()).max() <= 2_000
    assert 0 < changed <= 20_000
    assert np.array_equal(smaller[20_000:], f[20_000:])  # the wall
    before, after = trimesh.Trimesh(v, f, process=False), trimesh.Trimesh(v, smaller, process=False)
    assert after.is_watertight
    assert after.is_winding_consistent
    assert edge_report(smaller, len(v)) == edge_report(f, len(v))
    assert after.area == pytest.approx(before.area, rel=1e-6)
    # Each turn moves it by 2e-6 of its diagonal at most, and the last one more than all before together.
    assert abs(after.volume - before.volume) < 2 * 2e-6 * np.linalg.norm(before.extents) * before.area
    middles = v[smaller].mean(axis=1)
    assert Scene(before).distance(middles).max() < 1e-5


def test_what_does_not_go_on_straight_is_left() -> None:
    """A ruff, whose facets stand up and down in turn; and a fan that is small enough."""
    v, f = fan_drum(3_000)
    v[::2, 2] += 0.1
    ruff, changed = smaller_fans(v, f[:3_000], 2_000)
    assert changed == 0
    assert np.array_equal(ruff, f[:3_000])
    assert smaller_fans(v, f, 3_000)[1] == 0


def test_time_grows_with_the_number_of_facets() -> None:
    smaller_fans(*fan_drum(3_000), 2_000)
    took = []
    for facets in (30_000, 120_000):
        v, f = fan_drum(facets)
        began = time.process_time()
        smaller_fans(v, f, 2_000)
        took.append(time.process_time() - began)
    assert took[1] < 10 * took[0] + 0.5, took
