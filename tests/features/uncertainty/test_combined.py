"""What errors of several features, and of several scans, come to together.

Truths: the worked example of JCGM 100:2008 (GUM), G.4.1; that a sum of normal errors of one scale, estimated with f
degrees of freedom, is Student's t of f (Gosset, Biometrika 6 (1908) 1; scipy.stats.t); and, where scales were estimated
apart, draws of both (JCGM 101:2008, propagation of distributions by Monte Carlo).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, t

from pipeline.features.uncertainty import Parts, all_known, combined_covariance, posed_too, sum_of
from pipeline.features.uncertainty.combined import parts_of
from pipeline.surfaces import Shape
from pipeline.values import Uncertainty

NORMAL = norm.ppf(0.975)
ONE = np.eye(1)


def of_wave(variance: float, freedom: float, scan: int) -> Uncertainty:
    """A plane's height, of which a wave of one scan is all that is not known."""
    more = (t.ppf(0.975, freedom) / NORMAL) ** 2
    parts, degrees = np.array([[[0.0]], [[variance]]]), np.array([np.inf, freedom])
    whole = np.array([[more * variance]])
    return Uncertainty(None, None, None, "made", ("w",), whole, None, parts, degrees, np.array([0, scan]))


def test_of_the_guides_worked_example() -> None:
    # G.4.1: relative uncertainties of 0.25, 0.57 and 0.82 % from 10, 5 and 15 observations make 1.03 %, with 19.0
    # degrees of freedom, and for these its table G.2 has t = 2.09 at 95 %.
    given = [of_wave(u**2, n - 1.0, scan) for scan, (u, n) in enumerate([(0.25, 10), (0.57, 5), (0.82, 15)])]
    found = np.sqrt(combined_covariance([(ONE, one) for one in given])[0, 0])
    assert NORMAL * found == pytest.approx(2.09 * 1.03, rel=3e-3)


@pytest.mark.parametrize("gains", [(1.0, 1.0), (1.0, -3.0), (0.2, 5.0)])
def test_what_rests_on_one_wave_is_students(gains: tuple[float, float]) -> None:
    """Faces of one scan: how large its wave is was learnt once for both."""
    two = [of_wave(4e-6, 5.0, 1), of_wave(1e-6, 5.0, 1)]
    found = combined_covariance([(gain * ONE, one) for gain, one in zip(gains, two, strict=True)])[0, 0]
    variance = 4e-6 * gains[0] ** 2 + 1e-6 * gains[1] ** 2
    assert NORMAL * np.sqrt(found) == pytest.approx(t.ppf(0.975, 5.0) * np.sqrt(variance), rel=1e-9)


def test_sums_over_two_scans_lie_where_they_are_said_to() -> None:
    """Faces of two scans, the size of either's wave estimated with four degrees of freedom each time. Four standard
    errors of 20,000 draws are 0.6 %, and of a sum's freedom the formula is an approximation."""
    rng = np.random.default_rng(5)
    deviations = np.array([3.0, 2.0])
    errors = (rng.normal(size=(20_000, 2)) * deviations).sum(axis=1)
    sizes = deviations**2 * rng.chisquare(4.0, size=(20_000, 2)) / 4.0
    together, each = np.empty(len(errors)), np.empty(len(errors))
    for draw, (one, other) in enumerate(sizes):
        pair = [of_wave(one, 4.0, 0), of_wave(other, 4.0, 1)]
        together[draw] = combined_covariance([(ONE, known) for known in pair])[0, 0]
        each[draw] = sum(float(known.covariance[0, 0]) for known in pair)
    assert np.mean(abs(errors) < NORMAL * np.sqrt(together)) == pytest.approx(0.95, abs=0.012)
    # Each widened by itself, as it has to be where it stands alone, they would hold too much.
    assert np.mean(abs(errors) < NORMAL * np.sqrt(each)) > 0.97


def test_a_feature_takes_on_the_pose_of_its_scan_once() -> None:
    """A face of scan 2, laid on scan 1: by G.4.1 as above, of its own wave, the same wave's share in the
    pose, which adds to it, and the other scan's."""
    height = Shape("plane", np.zeros(3), np.array([0.0, 0.0, 1.0]))
    basis = np.eye(3)[:2]
    own = np.zeros((2, 3, 3))
    own[1] = np.diag([2e-6, 1e-10, 1e-10])
    free = np.array([np.inf, 6.0])
    face = Uncertainty(1e-3, 1e-5, None, "made", ("w", "a", "b"), own[1], basis, own, free)
    lift = np.diag([0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    pose = Parts(np.array([5e-6 * lift, 3e-6 * lift, 4e-6 * lift]), np.array([np.inf, 4.0, 6.0]), np.array([0, 1, 2]))
    found = posed_too(face, height, pose, 2)
    freedom = 14.0**2 / (3.0**2 / 4.0 + (2.0 + 4.0) ** 2 / 6.0)
    assert NORMAL * found.position == pytest.approx(t.ppf(0.975, freedom) * np.sqrt(14e-6), rel=1e-6)
    assert parts_of(found).scans.tolist() == [0, 1, 2]
    assert parts_of(found).values[:, 0, 0] == pytest.approx([5e-6, 3e-6, 6e-6])


def test_waves_are_added_scan_by_scan_and_in_their_order() -> None:
    one = Parts(np.arange(1.0, 4.0)[:, None, None], np.array([np.inf, 9.0, 4.0]), np.array([0, 3, 3]))
    other = Parts(10.0 * np.arange(1.0, 4.0)[:, None, None], np.array([np.inf, 7.0, 9.0]), np.array([0, 1, 3]))
    found = sum_of([one, other, all_known(np.array([[100.0]]))])
    assert found.values.ravel().tolist() == [111.0, 20.0, 32.0, 3.0]
    assert found.freedom.tolist() == [np.inf, 7.0, 9.0, 4.0]
    assert found.scans.tolist() == [0, 1, 3, 3]


def test_what_is_said_of_a_direction_does_not_hang_on_the_axes_it_is_told_in() -> None:
    rng = np.random.default_rng(3)
    draws = rng.normal(size=(3, 2, 2))
    parts = draws @ draws.transpose(0, 2, 1)
    known = Uncertainty(
        None, 1.0, None, "made", ("a", "b"), parts.sum(axis=0), None, parts, np.array([np.inf, 8.0, 4.0])
    )
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    straight, turned = (combined_covariance([(gain, known)]) for gain in (np.eye(2), turn))
    assert turned == pytest.approx(turn @ straight @ turn.T, rel=1e-12)
