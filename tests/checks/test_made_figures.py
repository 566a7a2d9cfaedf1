"""Fits, press fits and O-ring grooves of made parts against values from outside, each with its source beside it.

Covers: pipeline.standards.measured_fits, pipeline.standards.press, pipeline.standards.static_glands
Covers: pipeline.standards.parts
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.standards import (
    bearing,
    bolt_hole,
    clearance_words,
    counterpart,
    material,
    measured_fit,
    position_tolerance,
    press_fit,
    static_gland,
)
from pipeline.standards.press import Material
from pipeline.standards.static_glands import FILL, SQUEEZE, STRETCH

EXACT = 1e-5  # mm: of a size that was measured as well as makes no odds


@pytest.mark.parametrize(
    ("fit", "size", "least", "most"),
    [
        # Encyclopaedia, article on engineering fits: 50 H8/f7 clears 25 to 89 um.
        ("H8/f7", 50.0, 25, 89),
        # PyPI pressfit 0.1.0: H7/g6 of 50 and 25 mm; a bore table (hzpt.com): of 72 mm.
        ("H7/g6", 50.0, 9, 50),
        ("H7/g6", 25.0, 7, 41),
        ("H7/g6", 72.0, 10, 59),
        # The same table: 72 p6 is +32 to +51, in H7 of 0 to +30.
        ("H7/p6", 72.0, -51, -2),
        # metricmech.com, fits of 25 mm: H7/h6 clears 0 to 34 um.
        ("H7/h6", 25.0, 0, 34),
    ],
)
def test_clearances_of_fits(fit: str, size: float, least: float, most: float) -> None:
    found = measured_fit(fit, size, EXACT, "bore", "it")
    assert [1e3 * c for c in found.wanted] == pytest.approx([least, most], abs=0.01)
    # The spigot's middle meets the middle of what is wanted, and its width is that of its own zone.
    assert size - 0.5 * sum(found.limits) == pytest.approx(0.5e-3 * (least + most), abs=6e-4)


@pytest.mark.parametrize("side", ["bore", "boss"])
@pytest.mark.parametrize(("fit", "sigma"), [("H7/p6", 0.009), ("H7/g6", 0.007), ("H7/k6", 0.005), ("H8/f7", 0.014)])
def test_the_share_within_a_fit_is_that_of_draws(fit: str, sigma: float, side: str) -> None:
    """Against a million draws of the true size and of the counterpart, made anywhere within its limits."""
    rng = np.random.default_rng(7)
    found = measured_fit(fit, 60.003, sigma, side, "it")
    true = rng.normal(60.003, sigma, 1_000_000)
    made = rng.uniform(*found.limits, 1_000_000)
    clearance = true - made if side == "bore" else made - true
    inside = np.mean((clearance >= found.wanted[0]) & (clearance <= found.wanted[1]))
    assert found.within == pytest.approx(inside, abs=2e-3)
    assert np.mean((clearance >= found.clearance[0]) & (clearance <= found.clearance[1])) == pytest.approx(
        0.95, abs=3e-3
    )
    zone = counterpart(fit.split("/")[1 if side == "bore" else 0], 60.0)
    off = true - rng.uniform(*zone, 1_000_000) if side == "bore" else rng.uniform(*zone, 1_000_000) - true
    assert found.on_zone == pytest.approx(np.mean((off >= found.wanted[0]) & (off <= found.wanted[1])), abs=2e-3)


def test_a_fit_that_the_measured_size_cannot_give_is_refused() -> None:
    """Half as sure it is given, at the stated limit it just is, and the sentence names another that clears alike."""
    with pytest.raises(SettingsError, match=r"can't be given: it is known to 39 um .* gauge it to 22 um") as told:
        measured_fit("H7/g6", 72.0, 0.02, "bore", "it")
    assert "H7/f7" in str(told.value) or "H7/h" in str(told.value)
    assert measured_fit("H7/g6", 72.0, 0.011, "bore", "it").within > 0.95
    with pytest.raises(SettingsError, match="nothing vouches"):
        measured_fit("H7/g6", 72.0, None, "bore", "it")
    for words in ("H7", "f7/H7", "H7-f7", ""):
        with pytest.raises(SettingsError, match="is not one of hole and shaft"):
            measured_fit(words, 72.0, 0.001, "bore", "it")
    with pytest.raises(SettingsError, match="not in the tables"):
        measured_fit("H7/x9", 72.0, 0.001, "bore", "it")
    with pytest.raises(SettingsError, match="500 mm"):
        measured_fit("H7/f7", 501.0, 0.001, "bore", "it")


def test_words_of_clearances() -> None:
    assert clearance_words(0.012, 0.048) == "clearance 12 to 48 um"
    assert clearance_words(-0.048, -0.012) == "interference 12 to 48 um"


def test_press_fit_of_one_material() -> None:
    """Worked example (machinecalc.pages.dev): 50 in 80, 0.04 mm, 40 long, mu 0.15, E 200 GPa: 48.8 MPa, 45.9 kN, hoop
    111 MPa."""
    steel = Material("steel", 200e3, 0.3, 1.0)
    found = press_fit((0.0, 50.0, 80.0), 0.04, 40.0, steel, steel, 0.15)
    assert found.pressure == pytest.approx(48.75, abs=0.01)
    assert found.force / 1e3 == pytest.approx(45.9, abs=0.1)
    assert found.hub_bore == pytest.approx(111.0, abs=0.5)


def test_press_fit_of_two_materials() -> None:
    """Worked example (qammunity.org 10378823): a bronze bush 40/60, E 105 GPa, in a steel cylinder of 120, E 210 GPa,
    both nu 0.3, 0.05 mm of the radius: 53.3 MPa; hoop 88.8 and 35.5 in the steel, -191.9 and -138.6 in the bronze."""
    bronze, steel = Material("bronze", 105e3, 0.3, 1.0), Material("steel", 210e3, 0.3, 1.0)
    found = press_fit((40.0, 60.0, 120.0), 0.1, 50.0, steel, bronze)
    assert found.pressure == pytest.approx(53.3, abs=0.05)
    assert (found.hub_bore, found.hub_outside) == pytest.approx((88.8, 35.5), abs=0.05)
    assert (found.shaft_inside, found.shaft_outside) == pytest.approx((-191.9, -138.6), abs=0.1)


def test_materials() -> None:
    assert material(" Grey Iron ").strength < material("steel").strength
    with pytest.raises(SettingsError, match="there are grey iron"):
        material("wood")


@pytest.mark.parametrize(
    ("diameter", "where"), [(d, w) for d in (12, 30, 62, 85, 120, 180, 300) for w in ("shaft", "bore")]
)
def test_grooves_are_of_the_table_and_within_the_advice(diameter: float, where: str) -> None:
    """Depths and widths: O-ring housings of a seal supplier (orings.co.uk). Squeeze 10 to 40 % (applerubber.com), by
    ends taken apart here: the ring's section and the gap at their least and largest, one at a time."""
    table = {1.78: (1.30, 2.40), 2.62: (2.00, 3.60), 3.53: (2.70, 4.80), 5.33: (4.30, 7.10), 6.99: (5.80, 9.50)}
    found = static_gland(diameter, 0.02, (0.03, 0.1), where)
    depth, width = table[min(table, key=lambda s: abs(s - found.section))]
    assert (found.depth, found.width) == pytest.approx((depth, width), abs=1e-9)
    bottom = found.groove[1] if where == "shaft" else found.groove[0]
    assert abs(diameter - bottom) == pytest.approx(2 * depth, abs=1e-9)
    assert SQUEEZE[0] <= found.squeeze[0] < found.squeeze[1] < found.squeeze[2] <= SQUEEZE[1]
    assert found.squeeze[1] < 1 - depth / found.section + 1e-9 or found.stretch < 0
    if where == "shaft":
        assert STRETCH[0] <= found.stretch <= STRETCH[1]
        assert found.stretch == pytest.approx(bottom / found.inside - 1)
    assert found.fill[0] <= FILL[0]


def test_squeeze_and_fill_of_a_worked_example() -> None:
    """machinecalcs.com, O-ring gland: section 2, gap 1.6, width 3.2 give squeeze 20 %, fill 61.36 %. The same sums with
    a ring that isn't stretched, of a tabled groove: 1 - 2.7/3.53 and its circle over 2.7 x 4.8."""
    assert pytest.approx(0.20) == 1 - 1.6 / 2.0
    assert math.pi / 4 * 2.0**2 / (1.6 * 3.2) == pytest.approx(0.6136, abs=1e-4)
    found = static_gland(78.97 + 5.4, 0.0, (0.0, 0.0), "shaft", "AS568-235")
    assert found.stretch == pytest.approx(0.0, abs=1e-4)
    assert found.squeeze[1] == pytest.approx(1 - 2.7 / 3.5306, abs=1e-3)
    assert found.fill[0] == pytest.approx(math.pi / 4 * 3.5306**2 / (2.7 * 4.8), abs=1e-3)


def test_a_stretched_ring_keeps_its_volume() -> None:
    found = static_gland(85.0, 0.0, (0.0, 0.0), "shaft", "AS568-235")
    section = found.depth / (1 - found.squeeze[1])
    before = found.section**2 * (found.inside + found.section)
    assert section**2 * (found.groove[1] + section) == pytest.approx(before, rel=1e-6)


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"width": 5.0}, "make it longer"),
        ({"depth": 0.9}, "a smaller bore"),
        ({"ring": "AS568-999"}, "there is no O-ring"),
        ({"ring": "AS568-240"}, "would be stretched by -16"),
    ],
)
def test_grooves_that_cannot_be_had(more: dict, sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence):
        static_gland(85.0, 0.02, (0.03, 0.1), "shaft", **more)


def test_bought_parts() -> None:
    """ISO 273: M10 11 medium, M8 10 coarse; ISO 15: 6205 is 25 x 52 x 15."""
    assert bolt_hole("M10").hole == 11.0
    assert bolt_hole("M8 coarse").hole == 10.0
    assert bearing("6205")[1:] == (25.0, 52.0, 15.0)
    for wrong in ("M11", "M8 wide", "bolt"):
        with pytest.raises(SettingsError, match="no bolt hole"):
            bolt_hole(wrong)
    with pytest.raises(SettingsError, match="not in the tables"):
        bearing("6205-2RS")


def test_floating_and_fixed_fasteners() -> None:
    """ASME Y14.5M-1994, appendix B (from memory): fasteners of 6 mm at most in holes of 6.44 mm at least give each part
    0.44 floating (B3), 0.22 fixed (B4)."""
    assert position_tolerance(6.44, 6.0, fixed=False) == pytest.approx(0.44)
    assert position_tolerance(6.44, 6.0, fixed=True) == pytest.approx(0.22)
