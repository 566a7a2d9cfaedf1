"""Figures end with the first digit that their 95 % uncertainty reaches (JCGM 100:2008, 7.2.6: one or two figures)."""

from __future__ import annotations

import pytest

from pipeline.formats.drawings.figures import places_of, plus_minus, sized


@pytest.mark.parametrize(
    ("sigma", "places"), [(0.4, 1), (0.06, 1), (0.05, 2), (0.006, 2), (0.005, 3), (0.0001, 3), (None, 1), (6.0, 0)]
)
def test_decimal_places(sigma: float | None, places: int) -> None:
    """By hand: 1.96 sigma is 0.784, 0.118, 0.098, 0.0118, 0.0098; three places at most, one where none is known."""
    assert places_of(sigma, "mm") == places


def test_inches_and_ranges() -> None:
    assert sized(25.4, "in", 0.01) == "1.0000"  # 1.96 * 0.01 mm = 0.00077 in
    assert plus_minus(0.01, "mm") == " ±0.02"
    assert plus_minus(0.011, "mm") == " ±0.03"  # never less than it is
    assert plus_minus(0.01, "in") == " ±0.0008"
