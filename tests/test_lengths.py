"""Lengths in sentences: both units say the same (1 in = 25.4 mm, by definition), and nothing else moves."""

from __future__ import annotations

import re

import numpy as np
import pytest

from pipeline.formats.datum_file import build, lengths_in, plain_data
from pipeline.lengths import in_unit, mm, mm2, place_in_mm, size_in_mm, um
from tests.outcomes import outcome


@pytest.mark.parametrize(
    ("made", "to_mm", "of_um", "unit"), [(mm, 25.4, 1.0, "in"), (um, 25.4, 1e3, "thou"), (mm2, 25.4**2, 1.0, "in2")]
)  # fmt: skip
def test_the_inches_are_those_of_the_millimetres(made, to_mm, of_um, unit) -> None:
    for value in np.random.default_rng(1).lognormal(0.0, 2.0, 200):
        told = in_unit(f"some {made(value, '.4g')} off", "in")
        found = re.fullmatch(rf"some ([\d,.]+(?:e-\d+)?) {unit} off", told)
        assert found, told
        # Two figures at the least.
        assert float(found[1].replace(",", "")) * to_mm == pytest.approx(value * of_um, rel=3e-2)


def test_what_is_no_length_stays_as_it_is() -> None:
    for text in ("6206 outer ring (30 x 62 x 16)", "a drill of 11 mm", "H7 +0 to +30 um", "82 %", ""):
        assert in_unit(text, "in") == in_unit(text, "mm") == text
    told = f"{mm(3.2, '.1f')} of a 6206 of 62 mm; {size_in_mm('D25.400')} at {place_in_mm([25.4, 0.0, -50.8])}"
    assert in_unit(told, "mm") == "3.2 mm of a 6206 of 62 mm; D25.400 mm at [25.40, 0.00, -50.80] mm"
    assert in_unit(told, "in") == "0.126 in of a 6206 of 62 mm; D1.0000 in at [1.000, 0, -2.000] in"
    assert in_unit(f"{um(0.0, '+g')} to {um(0.03, '+g')}", "in") == "0 thou to +1.18 thou"


def test_a_record_tells_them_in_either_and_the_file_in_millimetres() -> None:
    data = build(outcome()).model_copy(update={"cautions": (f"off by {mm(25.4, '.1f')}", "as it was")})
    assert lengths_in(data, "in").cautions == ("off by 1.000 in", "as it was")
    assert plain_data(data)["cautions"] == ["off by 25.4 mm", "as it was"]
    assert lengths_in(data, "in").features == data.features
