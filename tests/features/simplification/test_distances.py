"""What the audit counts, and how two fits differ, on surfaces that are known by construction.

Covers: pipeline.features.simplification.audit
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.simplification import on_features, two_sided
from pipeline.features.simplification.audit import difference
from pipeline.mesh.query import Scene
from pipeline.surfaces import Shape
from pipeline.values import FILLED, MEASURED, Surface

HEIGHT = 0.25


def strip(raised: float) -> Surface:
    """Two squares side by side, the second one filled, its far edge raised."""
    x, y = (a.ravel() for a in np.meshgrid([0.0, 10.0, 20.0], [0.0, 10.0], indexing="ij"))
    corners = np.column_stack([x, y, np.where(x > 15.0, raised, 0.0)])
    faces = np.array([[0, 2, 3], [0, 3, 1], [2, 4, 5], [2, 5, 3]], np.int32)
    return Surface(corners, faces, np.array([MEASURED, MEASURED, FILLED, FILLED], np.uint8))


def test_what_was_filled_counts_on_neither_side() -> None:
    scan, light = strip(0.0), Surface.measured(strip(HEIGHT).vertices, strip(HEIGHT).faces)
    free = np.full(4, -1, np.int32)
    target = on_features(scan.vertices, scan.faces, free, (), 0.1)
    found = two_sided(scan, Scene(scan), target, light, free)
    # The measured square is met exactly; the tilted one is off by up to HEIGHT, over half of all area.
    for one in (found.scan_to_light, found.light_to_scan, *found.noise_aside):
        assert one.max == pytest.approx(0.0, abs=1e-9)


def test_the_same_cone_seen_from_its_other_end_is_the_same() -> None:
    up, half = np.array([0.0, 0.0, 1.0]), np.radians(20.0)
    was = Shape("cone", np.zeros(3), up, 10.0, half)
    # Its point slid up by 5 mm, where it is wider; and the same, told against the axis.
    wider = 10.0 + 5.0 * np.tan(half)
    for way, angle in ((1.0, half), (-1.0, -half)):
        now = Shape("cone", 5.0 * up, way * up, wider, angle)
        assert difference(was, now) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    grown = Shape("cone", 5.0 * up, up, wider + 0.1, half)
    assert difference(was, grown) == pytest.approx((0.0, 0.0, 0.1), abs=1e-9)
