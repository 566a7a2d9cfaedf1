"""The CAD kernel's surfaces of what ISO 10303-42 calls them, asked back for their points.

Those of the five kinds are held in `tests/checks/test_reread.py`; here that of an extruded ellipse.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.formats.datum_file import build
from pipeline.formats.step import surfaces
from pipeline.surfaces import StepSurface
from tests.outcomes import outcome

LARGE, SMALL = 12.0, 7.0
AXIS, REFERENCE = np.array([0.0, 0.6, 0.8]), np.array([1.0, 0.0, 0.0])
PLACE = np.array([3.0, -4.0, 5.0])
STEP = StepSurface("SURFACE_OF_LINEAR_EXTRUSION", PLACE, AXIS, REFERENCE, (LARGE, SMALL))


def wall(turn: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Points of the elliptic cylinder, less its place: an ellipse x = a cos t, y = b sin t (from memory)."""
    across = np.cross(AXIS, REFERENCE)
    return LARGE * np.cos(turn)[:, None] * REFERENCE + SMALL * np.sin(turn)[:, None] * across + along[:, None] * AXIS


@pytest.mark.parametrize("arc", [90.0, 360.0])
def test_an_extruded_ellipse_has_its_points_where_they_were_seen(arc: float) -> None:
    turn, along = np.meshgrid(np.linspace(0.4, 0.4 + math.radians(arc), 60), np.linspace(-6.0, 9.0, 5))
    feature = build(outcome()).features[6]
    extent = feature.extent.model_copy(update={"arc": arc, "along": (-6.0, 9.0)})
    made, patch = surfaces._MADE[STEP.entity](
        STEP, feature.model_copy(update={"extent": extent}), wall(turn.ravel(), along.ravel())
    )
    assert patch.along == (-6.0, 9.0)
    assert math.degrees(patch.around[1] - patch.around[0]) == pytest.approx(arc, abs=1e-6)
    for t in np.linspace(*patch.around, 7):
        for z in patch.along:
            point = made.Value(t, z)
            expected = PLACE + wall(np.array([t]), np.array([z]))[0]
            np.testing.assert_allclose([point.X(), point.Y(), point.Z()], expected, atol=1e-9)


def test_a_surface_that_is_not_known_here_makes_no_face(monkeypatch: pytest.MonkeyPatch) -> None:
    feature = build(outcome()).features[6]
    point, axis = np.zeros(3), np.array([0.0, 0.0, 1.0])
    near = np.array([[20.0, 0.0, 0.0], [0.0, 20.0, 1.0]])
    assert surfaces.surface_of(feature, point, axis, near) is not None
    monkeypatch.setattr(surfaces, "_MADE", {})
    assert surfaces.surface_of(feature, point, axis, near) is None
