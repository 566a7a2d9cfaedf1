"""The factors of 95 %, against the quantiles of the reference library.

Source: scipy.stats.norm and chi2; JCGM 100:2008, Table G.1, has 1.960 for one figure.
"""

from __future__ import annotations

import math

import pytest
from scipy.stats import chi2, norm

from pipeline.coverage import PAIR, SINGLE, TRIPLE


@pytest.mark.parametrize(("factor", "figures"), [(SINGLE, 1), (PAIR, 2), (TRIPLE, 3)])
def test_quantile_of_as_many_figures(factor: float, figures: int) -> None:
    assert factor == pytest.approx(math.sqrt(chi2.ppf(0.95, figures)), abs=0.005)


def test_single_is_that_of_both_tails() -> None:
    assert pytest.approx(norm.ppf(0.975), abs=5e-4) == SINGLE
