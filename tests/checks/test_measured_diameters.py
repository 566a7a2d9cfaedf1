"""The right name is among those offered for every diameter of the table, and none is offered against its notes.

Covers: pipeline.standards.suggest, pipeline.standards.holes, pipeline.standards.fits, pipeline.standards.glands
Covers: pipeline.standards.sizes
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.lengths import in_unit
from pipeline.standards import suggest
from pipeline.standards.holes import hole_sizes
from pipeline.standards.sizes import Size
from pipeline.standards.tables import grade, zone
from pipeline.values import Feature, Pattern, SizeSuggestion
from tests.checks.measured_diameters import MEASURED, Measured
from tests.features.made import feature

# Off by all of an even spread w and 1.96 u: (w + 1.96 u) / hypot(w / sqrt(12), u) is at most this.
FARTHEST = np.sqrt(12.0 + 1.96**2)
AXIS = (0.0, 0.0, 1.0)


def cylinder(ident: str, side: str, diameter: float, length: float, sigma: float = 0.006, at=(0, 0, 0)) -> Feature:
    made = feature(ident, "cylinder", at, AXIS, 0.5 * diameter, side, np.pi * diameter * length, length)
    return replace(made, uncertainty=replace(made.uncertainty, radius=0.5 * sigma))


def offered(row: Measured) -> list[SizeSuggestion]:
    parts = [cylinder("it", row.side, row.diameter, row.length, row.sigma)]
    if row.beside is not None:
        side, diameter = row.beside
        parts.append(cylinder("beside", side, diameter, row.length if side != row.side else 60.0, row.sigma))
    return [s for s in suggest(parts) if s.feature == "it"]


def test_the_table_is_as_long_as_it_should_be() -> None:
    assert len(MEASURED) >= 40


@pytest.mark.parametrize("row", MEASURED, ids=lambda row: f"{row.side} {row.diameter} {row.name}")
def test_the_right_name_is_among_those_offered(row: Measured) -> None:
    found = offered(row)
    right = [s for s in found if s.what == row.what and row.name in s.name]
    assert right, [(s.what, s.name) for s in found]
    assert any(row.note in in_unit(s.note, "mm") for s in right), [s.note for s in right]


@pytest.mark.parametrize("row", MEASURED, ids=lambda row: f"{row.side} {row.diameter} {row.name}")
def test_none_is_offered_against_its_notes(row: Measured) -> None:
    found = offered(row)
    assert not [s for s in found if s.what in row.never]
    for s in found:
        if s.what == "clearance hole":
            assert row.diameter <= 30.0
            assert not [t for t in found if t.what == "bearing seat"]
        if s.what == "tolerance zone":
            assert "does not show the zone" in s.note
        if s.what == "bearing seat":
            # P7 to H7 for housings, g6 to r6 for shafts: common practice, no source.
            low, high = ("P7", "H7") if row.side == "bore" else ("g6", "r6")
            slack = 1.96 * row.sigma
            assert zone(low, s.size)[0] - slack <= s.off <= zone(high, s.size)[1] + slack
        if s.what in ("worn bearing seat", "bearing seat, tight"):
            assert "H7" in s.note or "P7" in s.note or "g6" in s.note or "r6" in s.note
        if s.what in ("drill", "tapping hole", "clearance hole"):
            assert s.sigmas is not None
            assert s.sigmas < FARTHEST


@pytest.mark.parametrize("sigma", [0.0005, 0.002, 0.012])
def test_no_drill_is_offered_that_many_uncertainties_can_not_reach(sigma: float) -> None:
    found = [s for diameter in np.arange(5.0, 45.0, 0.0773) for s in hole_sizes(Size("it", float(diameter), sigma))]
    assert len(found) > 500
    assert max(s.sigmas for s in found) < FARTHEST


def test_a_hole_of_a_layout_is_no_seat() -> None:
    """M20 medium is 22.0 (ISO 273:1979), the outer ring of 608 as well (ISO 15:2017, from memory)."""
    holes = [cylinder(f"h{k}", "bore", 22.01, 8.0, at=(60 * np.cos(k), 60 * np.sin(k), 0)) for k in range(4)]
    alone = {s.what for s in suggest(holes[:1])}
    assert "bearing seat" in alone
    assert "clearance hole" not in alone
    ring = Pattern("pitch_circle", tuple(h.id for h in holes), np.zeros(3), np.array(AXIS), 120.0, 4, 0)
    # Three of one size that run the same way are drilled alike, whether or not they lie on a circle; two may be seats.
    for together in (suggest(holes, [ring]), suggest(holes[:3])):
        assert {"M20 medium"} <= {s.name for s in together}
        assert not [s for s in together if "seat" in s.what or "seal" in s.what]
    assert [s for s in suggest(holes[:2]) if s.what == "bearing seat"]
    in_a_row = [cylinder(f"h{k}", "bore", 22.01, 8.0, at=(0, 0, 40 * k)) for k in range(3)]
    assert [s for s in suggest(in_a_row) if s.what == "bearing seat"]


def test_a_step_is_no_groove() -> None:
    """A groove has the smaller bore on both its sides; a counterbore of the same depth and width has it on one."""
    deep = cylinder("deep", "bore", 30.4, 4.9)
    one_side = cylinder("one side", "bore", 25.05, 20.0, at=(0, 0, 12.5))
    other_side = cylinder("other side", "bore", 25.05, 20.0, at=(0, 0, -12.5))
    assert not [s for s in suggest([deep, one_side]) if s.what == "O-ring groove"]
    assert [s for s in suggest([deep, one_side, other_side]) if "AS568-214" in s.name]
    aside = cylinder("aside", "bore", 25.05, 20.0, at=(2.0, 0, -12.5))
    assert not [s for s in suggest([deep, one_side, aside]) if s.what == "O-ring groove"]


@pytest.mark.parametrize(
    ("over", "what", "note"),
    [
        # 72 H7 is +30 um, P7 -51 um (ISO 286-1:2010, tables 1 and 5, from memory).
        (0.030, "bearing seat", ""),
        (0.041, "bearing seat", ""),  # 11 um over, within 1.96 standard uncertainties of 6 um
        (0.043, "worn bearing seat", "0.013 mm over 72 H7"),
        (0.220, "worn bearing seat", "0.19 mm over 72 H7"),
        (-0.062, "bearing seat", ""),
        (-0.090, "bearing seat, tight", "0.04 mm under 72 P7"),
    ],
)
def test_where_a_seat_ends(over: float, what: str, note: str) -> None:
    found = [s for s in suggest([cylinder("it", "bore", 72.0 + over, 17.0)]) if "seat" in s.what]
    assert {s.what for s in found} == {what}
    assert all(note in in_unit(s.note, "mm") for s in found)
    assert grade("IT7", 72.0) == pytest.approx(0.030)


def test_what_shares_a_ring_is_all_there() -> None:
    """72 mm rings of 35 mm bore: 6207 17 wide, 2207 23, 3207 27, 30207 18.25, 32207 24.25 (from memory)."""
    names = {s.name.split()[0] for s in suggest([cylinder("it", "bore", 72.01, 20.0)]) if s.what == "bearing seat"}
    assert {"6207", "2207", "3207", "30207", "32207", "6306", "2306", "30306"} <= names
