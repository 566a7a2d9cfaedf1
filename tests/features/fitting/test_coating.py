from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.fitting.coating import without_coating
from tests.features.made import bore, feature, plane


def boss(ident, point, radius):
    return feature(ident, "cylinder", point, (0, 0, 1), radius, "boss", 2000, 20.0)


def test_coating_off_every_side():
    # Spray makes bores small and bosses big, by its thickness a side (common practice, no source).
    t = 0.02
    assert without_coating(bore("b", (0, 0, 0), (0, 0, 1), 10.0), t).radius == pytest.approx(10.02)
    assert without_coating(boss("s", (0, 0, 0), 10.0), t).radius == pytest.approx(9.98)
    face = without_coating(plane("p", (1, 2, 3), (0, 0, 1)), t)
    assert face.point == pytest.approx((1, 2, 2.98))
    ball = feature("o", "sphere", (0, 0, 0), None, 7, "bore", 300)
    assert without_coating(ball, t).radius == pytest.approx(7.02)


def test_coating_off_a_cone_moves_it_along_its_slant():
    # Every point of the coated cone is the thickness away from the bare one, by the cone's own distance.
    from pipeline.surfaces import signed_distance
    from pipeline.surfaces.shape import shape_of

    coated = feature("c", "cone", (0, 0, 0), (0, 0, 1), 10.0, "bore", 900, 8.0, half_angle=np.radians(30))
    bare = without_coating(coated, 0.02)
    z = np.linspace(-4, 4, 9)
    on = np.column_stack([10 + z * np.tan(np.radians(30)), 0 * z, z])
    assert signed_distance(shape_of(bare), on) == pytest.approx(-0.02)


def test_coating_adds_its_own_doubt():
    plain = bore("b", (0, 0, 0), (0, 0, 1), 10.0)
    bare = without_coating(plain, 0.02)
    assert bare.uncertainty.radius == pytest.approx(np.hypot(plain.uncertainty.radius, 0.004))
    assert bare.uncertainty.covariance[4, 4] == pytest.approx(plain.uncertainty.covariance[4, 4] + 0.004**2)
    assert bare.uncertainty.position == plain.uncertainty.position
    assert "coating" in bare.uncertainty.method
    assert without_coating(plain, 0.0) is plain
