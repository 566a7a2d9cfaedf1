"""Robust spread against scipy's median absolute deviation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from pipeline.geometry import scaled_mad


@pytest.mark.parametrize("count", [1, 2, 9, 1000])
def test_as_scipy_has_it(count):
    values = np.random.default_rng(count).normal(3.0, 2.0, count)
    # scipy divides by the normal distribution's own 0.67449; 1.4826 is that turned over, to five digits.
    assert math.isclose(scaled_mad(values), median_abs_deviation(values, scale="normal"), rel_tol=2e-6, abs_tol=1e-12)
    about = scaled_mad(values, 0.0)
    assert math.isclose(about, median_abs_deviation(values, center=lambda v, axis: 0.0, scale="normal"), rel_tol=2e-6)


def test_a_third_of_wild_values_moves_it_little():
    values = np.random.default_rng(1).normal(0.0, 1.0, 3000)
    values[::3] = 1e6
    assert 0.9 < scaled_mad(values, 0.0) < 2.0
