"""The box that holds some points, against numpy's own minimum and maximum."""

import numpy as np
import pytest

from pipeline.geometry.box import box_of


@pytest.mark.parametrize(("count", "width"), [(1, 3), (1000, 3), (17, 2)])
def test_box_of_points(count, width):
    points = np.random.default_rng(1).normal(size=(count, width))
    low, high = box_of(points)
    np.testing.assert_array_equal(low, np.min(points, axis=0))
    np.testing.assert_array_equal(high, np.max(points, axis=0))
