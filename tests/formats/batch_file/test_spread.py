"""The spread over many parts: against a published set of values, against made ones, and what is no spread.

Covers: pipeline.formats.batch_file.spread
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress

from pipeline.formats.batch_file.spread import spread_of
from pipeline.formats.datum_file import FeatureRecord

LEVEL = 0.05


def feature(number: str = "H1", **changed: object) -> FeatureRecord:
    plane = number.startswith("F")
    plain = {
        "id": number, "kind": "plane" if plane else "cylinder", "side": None if plane else "bore",
        "point": (0.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0), "radius": None if plane else 10.0,
        "in_part_frame": {"point": (0.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0),
                          "uncertainty": {"position": 0.002, "direction": 0.01}},
        "extent": {"area": 100.0, "length": None if plane else 5.0, "arc": None if plane else 360.0},
        "uncertainty": {"position": 0.002, "direction": 0.01, "radius": None if plane else 0.001, "method": "made up"},
        "form": {"rms": 0.01, "peak_to_valley": 0.02, "inliers": 1.0, "standard": "form"}, "audit": None,
    }  # fmt: skip
    return FeatureRecord.model_validate({**plain, **changed})


def at(point: tuple[float, float, float], direction: tuple[float, float, float], number: str = "H1") -> FeatureRecord:
    place = {"point": point, "direction": direction, "uncertainty": {"position": 0.002, "direction": 0.01}}
    return feature(number, in_part_frame=place)


def of(parts: list[FeatureRecord | None], scale: float = 0.0):  # type: ignore[no-untyped-def]
    lists = [[] if part is None else [part] for part in parts]
    numbers = frozenset({"H1", "F1"})
    found = spread_of(lists, [True] * len(parts), numbers, [scale] * len(parts), LEVEL)
    return {line.figure: line for line in found}


def test_mean_sigma_and_trend_are_those_of_a_reference() -> None:
    """Mean and deviation by numpy, slope and its error by scipy's linregress; one part lacks the feature."""
    radii = [10.0, 10.004, None, 10.001, 10.009, 10.012]
    found = of([None if r is None else feature(radius=r) for r in radii])["diameter"]
    sizes = np.array([2 * r for r in radii if r is not None])
    places = [k for k, r in enumerate(radii) if r is not None]
    line = linregress(places, sizes)
    assert found.values[2] is None
    assert (found.count, found.mean) == (5, pytest.approx(sizes.mean(), abs=1e-7))
    assert found.sigma == pytest.approx(sizes.std(ddof=1), rel=1e-6)
    assert (found.trend, found.trend_within) == (pytest.approx(line.slope), pytest.approx(line.stderr))
    assert found.p_trend == pytest.approx(line.pvalue)  # the only test of its sort
    assert found.measured_within == pytest.approx(0.002)


def test_equal_parts_differ_as_seldom_as_the_level_says() -> None:
    """300 batches of ten equal parts: about 5 in 100 stand out by chance (binomial, +-4 sigma), by construction."""
    chance = np.random.default_rng(20)
    apart = drifts = 0
    for _ in range(300):
        found = of([feature(radius=10.0 + 0.001 * float(x)) for x in chance.normal(size=10)])["diameter"]
        apart, drifts = apart + found.apart, drifts + found.drifts
    for count in (apart, drifts):
        assert abs(count - 15) < 4 * np.sqrt(300 * 0.05 * 0.95)


def test_parts_that_differ_stand_out() -> None:
    chance = np.random.default_rng(21)
    found = of([feature(radius=10.0 + 0.01 * float(x)) for x in chance.normal(size=10)])["diameter"]
    assert found.apart
    found = of([feature(radius=10.0 + 0.002 * k + 0.001 * float(chance.normal())) for k in range(10)])["diameter"]
    assert found.drifts
    assert abs(found.trend - 0.004) < 4 * found.trend_within


def test_the_scale_is_one_error_for_all_diameters() -> None:
    """0.05 mm/m of 10 mm is 0.0005 mm: of 0.001 mm the root of 1 - 0.25 millionths is left (for the radius)."""
    found = of([feature(), feature()], scale=5e-5)["diameter"]
    assert found.measured_within == pytest.approx(2 * np.sqrt(0.001**2 - 0.0005**2))


def test_a_face_is_told_where_it_crosses_the_line_through_the_first() -> None:
    """A face tilted by 0.01 rad and seen 50 mm aside: its middle is 0.5 mm higher, nothing else has moved."""
    tilt = 0.01
    normal = (float(-np.sin(tilt)), 0.0, float(np.cos(tilt)))
    first = at((0.0, 0.0, 20.0), (0.0, 0.0, 1.0), "F1")
    other = at((50.0, 0.0, float(20.1 + 50 * np.tan(tilt))), normal, "F1")
    found = of([first, other])
    assert found["place along z"].values == pytest.approx((20.0, 20.1))
    assert found["lean towards x"].values == pytest.approx((0.0, -np.degrees(tilt)))
    assert "lean towards y" not in found  # nothing of it differs


def test_an_axis_is_told_where_it_crosses_the_first_ones_middle() -> None:
    """An axis seen 30 mm farther up, turned round, and leaning by 0.002: there it is 0.06 mm aside."""
    lean = 0.002
    way = np.array([lean, 0.0, 1.0]) / np.hypot(lean, 1.0)
    first = at((5.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    other = at((5.01 + 30 * lean, 1.0, 30.0), tuple((-way).tolist()))
    found = of([first, other])
    assert found["place along x"].values == pytest.approx((5.0, 5.01))
    assert found["lean towards x"].values == pytest.approx((0.0, np.degrees(np.arcsin(way[0]))))
    assert "place along z" not in found  # how far up an axis was seen is no place of it


def test_what_is_unsure_or_stands_on_other_datums_is_left_out() -> None:
    low = feature(radius=12.0, confidence="low", reasons=("little of it was seen",))
    moved = at((9.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    lists = [[feature()], [low], [moved], [at((0.1, 0.0, 0.0), (0.0, 0.0, 1.0))]]
    found = {s.figure: s for s in spread_of(lists, [True, True, False, True], frozenset({"H1"}), [0.0] * 4, LEVEL)}
    assert found["diameter"].values == (20.0, None, 20.0, 20.0)
    assert found["place along x"].values == (0.0, None, None, 0.1)
    assert not spread_of(lists, [True] * 4, frozenset({"H2"}), [0.0] * 4, LEVEL)
