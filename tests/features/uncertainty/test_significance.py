"""Chances of deviations, alone and among many."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import chi2, f

from pipeline.features.uncertainty.significance import chance, holm
from pipeline.values import Uncertainty


@pytest.mark.parametrize("seed", range(6))
def test_holm_is_the_closed_test_of_bonferroni(seed: int) -> None:
    """A hypothesis' adjusted chance is the largest, over all sets that it is in, of the set's size times its least
    chance (Marcus, Peritz and Gabriel, Biometrika 63 (1976) 655-660; Holm 1979, section 2)."""
    rng = np.random.default_rng(seed)
    single = np.round(rng.uniform(0.0, 0.3, 7) ** 2, 3)
    for k, adjusted in enumerate(holm(single)):
        sets = [s for size in range(1, 8) for s in combinations(range(7), size) if k in s]
        closed = max(min(1.0, len(s) * min(single[list(s)])) for s in sets)
        assert adjusted == pytest.approx(closed, abs=1e-12)


def test_nothing_is_adjusted_to_nothing() -> None:
    assert holm([]).tolist() == []
    assert holm([0.2]).tolist() == [0.2]


def with_parts(parts: list[np.ndarray], freedom: list[float]) -> Uncertainty:
    return Uncertainty(None, None, None, "made up", ("u", "v"), sum(parts), None, np.array(parts), np.array(freedom))


def test_a_known_covariance_gives_chi_squared() -> None:
    covariance = np.array([[4.0, 1.5], [1.5, 2.0]])
    off = np.array([3.0, -1.0])
    square = off @ np.linalg.inv(covariance) @ off
    spread = (np.eye(2), Uncertainty(None, None, None, "made up", ("u", "v"), covariance))
    assert chance(off, [spread]) == pytest.approx(chi2.sf(square, 2), rel=1e-9)
    # Two features' spreads add up.
    halves = [(np.eye(2), with_parts([0.5 * covariance], [np.inf]))] * 2
    assert chance(off, halves) == pytest.approx(chi2.sf(square, 2), rel=1e-9)


@pytest.mark.parametrize("freedom", [4.0, 12.0])
def test_one_number_agrees_with_student(freedom: float) -> None:
    """JCGM 100:2008, table G.2: t at 95 % and 99 % for 4 and 12 degrees of freedom."""
    table = {4.0: {0.05: 2.78, 0.01: 4.60}, 12.0: {0.05: 2.18, 0.01: 3.05}}[freedom]
    spread = (np.array([[1.0, 0.0]]), with_parts([np.eye(2)], [freedom]))
    for level, t in table.items():
        assert chance(np.array([t]), [spread]) == pytest.approx(level, rel=0.015)


@pytest.mark.parametrize("freedom", [4.0, 9.7, 55.0, 3000.0])
@pytest.mark.parametrize("q", [1, 2, 4])
def test_what_is_wholly_doubtful_agrees_with_fisher(freedom: float, q: int) -> None:
    """scipy's F distribution, far into its tail."""
    given = Uncertainty(None, None, None, "", ("u",) * q, np.eye(q), None, np.eye(q)[None], np.array([freedom]))
    for square in (0.5, 5.0, 30.0, 120.0):
        off = np.full(q, np.sqrt(square / q))
        assert chance(off, [(np.eye(q), given)]) == pytest.approx(f.sf(square / q, q, freedom), rel=0.01)


@pytest.mark.parametrize("freedom", [4.0, 12.0])
def test_chances_hold_where_the_noise_was_seen_a_few_times_only(freedom: float) -> None:
    """Two features, each with a known part of its variance and one that both share and that was estimated."""
    rng = np.random.default_rng(3)
    shape = np.array([[2.0, 0.6], [0.6, 1.0]])
    found = []
    for _ in range(8000):
        estimate = rng.chisquare(freedom) / freedom
        spreads, off = [], np.zeros(2)
        for sure, wavy in ((0.2, 1.0), (0.5, 2.0)):
            off += rng.multivariate_normal(np.zeros(2), (sure + wavy) * shape)
            spreads.append((np.eye(2), with_parts([sure * shape, wavy * estimate * shape], [np.inf, freedom])))
        found.append(chance(off, spreads))
    for level in (0.05, 0.01, 0.001):
        share = float(np.mean(np.array(found) <= level))
        assert 0.4 * level - 3.0 * np.sqrt(level / 8000) <= share <= level + 3.0 * np.sqrt(level / 8000)
