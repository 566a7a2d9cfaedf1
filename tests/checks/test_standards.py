"""The handbook tables against values from outside, each with its source beside it.

Covers: pipeline.standards.suggest, pipeline.standards.tables
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from pipeline.standards.suggest import hole_sizes, rings_for, seats, suggest, zones
from pipeline.standards.tables import TABLES, grade, table, zone
from tests.features.made import bore, feature

BANDS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)


def test_every_table_names_its_source() -> None:
    for name in TABLES:
        assert all(len(s) > 8 for s in table(name).source)
        assert table(name).rows


@pytest.mark.parametrize(
    ("bolt", "sizes"),
    [
        # ISO 273:1979, as reprinted in handbooks; a list found on PyPI that differs at M12 to M16 is not ISO 273.
        ("M3", (3.2, 3.4, 3.6)),
        ("M6", (6.4, 6.6, 7.0)),
        ("M8", (8.4, 9.0, 10.0)),
        ("M10", (10.5, 11.0, 12.0)),
        ("M12", (13.0, 13.5, 14.5)),
        ("M14", (15.0, 15.5, 16.5)),
        ("M16", (17.0, 17.5, 18.5)),
        # From memory.
        ("M20", (21.0, 22.0, 24.0)),
        ("M24", (25.0, 26.0, 28.0)),
        ("M30", (31.0, 33.0, 35.0)),
        ("M36", (37.0, 39.0, 42.0)),
    ],
)
def test_clearance_holes_iso_273(bolt, sizes) -> None:
    row = next(r for r in table("clearance_metric").rows if r["bolt"] == bolt)
    assert (row["fine"], row["medium"], row["coarse"]) == sizes


def test_clearance_holes_asme_b18_2_8() -> None:
    """Least loose-fit holes: Machinery's Handbook, 31st ed., p. 1741, table 1a, in its order (#10 not read there)."""
    loose = [0.094, 0.104, 0.116, 0.128, 0.144, 0.172, 0.185, 0.213, 0.297, 0.359, 0.422, 0.484, 0.609, 0.734, 0.906]
    loose += [1.031, 1.156, 1.312, 1.438, 1.609, 1.734]
    rows = [r for r in table("clearance_inch").rows if r["bolt"] != "#10"]
    assert [r["loose"] for r in rows] == loose
    # The same table's largest holes show the tolerance classes: 0.297 to 0.311 in is H14 of 6 to 10 mm.
    assert grade("IT14", 0.297 * 25.4) == pytest.approx((0.311 - 0.297) * 25.4, abs=0.0127)


def test_tolerance_grades_against_the_handbook() -> None:
    """ISO 286-1 table 1, as reprinted in handbooks."""
    seven = (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63)
    assert [round(1e3 * grade("IT7", b)) for b in BANDS] == list(seven)
    at_25 = [round(1e3 * grade(f"IT{k}", 25.0)) for k in range(5, 12)]
    assert at_25 == [9, 13, 21, 33, 52, 84, 130]
    assert grade("IT7", 500.1) is None
    assert grade("IT7", 30.0) == pytest.approx(0.021)
    assert grade("IT7", 30.001) == pytest.approx(0.025)


def test_tolerances_against_another_library() -> None:
    """PyPI pressfit 0.1.0 keeps the same tables, entered independently: IT5 to IT11, shaft zones."""
    tables = pytest.importorskip("pressfit.tables")
    for band in BANDS:
        for k in range(5, 12):
            assert round(1e3 * grade(f"IT{k}", band)) == tables.it_value(band, k)
        for name in ("h6", "h7", "h9", "g6", "f7", "k6", "m6", "n6", "p6"):
            low, high = zone(name, band)
            want = tables.shaft_deviation(band, name[0], int(name[1:]))
            got = high if name[0] in "fgh" else low
            assert round(1e3 * got) == want, (name, band)


def test_hole_zones_mirror_shaft_zones() -> None:
    """ISO 286-1: EI of a hole A to H is the shaft's es with the sign changed; K to N of IT7: ES = -ei + IT7 - IT6."""
    for band in BANDS[1:]:
        assert zone("H7", band)[0] == 0.0
        assert zone("G7", band)[0] == pytest.approx(-zone("g6", band)[1])
        assert zone("F8", band)[0] == pytest.approx(-zone("f7", band)[1])
        delta = grade("IT7", band) - grade("IT6", band)
        for hole, shaft in (("K7", "k6"), ("M7", "m6"), ("N7", "n6"), ("P7", "p6")):
            # The rule holds to the rounding of the printed table, 1 um.
            assert zone(hole, band)[1] == pytest.approx(-zone(shaft, band)[0] + delta, abs=0.0011), (hole, band)


@pytest.mark.parametrize(
    ("name", "size"),
    [("M6", 5.0), ("M8", 6.8), ("M10", 8.5), ("M12", 10.2), ("M8x1", 7.0), ("M16x1.5", 14.5)],
)
def test_tapping_drills(name, size) -> None:
    """ISO 2306 / handbooks; the fine pitches by diameter less pitch, the common practice."""
    assert next(r["drill"] for r in table("tapping_metric").rows if r["thread"] == name) == size


def test_tapping_drills_inch() -> None:
    """1/4-20 UNC takes No. 7 = 0.201 in (handbooks); D - 0.75 * 1.299 / tpi of 75 % thread for the others."""
    rows = {r["thread"]: r for r in table("tapping_inch").rows}
    assert rows["1/4-20 UNC"]["drill"] == "No. 7"
    assert rows["1/4-20 UNC"]["size"] == 0.201
    numbers = {"4": 0.112, "6": 0.138, "8": 0.164, "10": 0.190}
    for thread, row in rows.items():
        bolt, pitch = thread.split()[0].rsplit("-", 1)
        major = numbers.get(bolt) or float(Fraction(bolt))
        thread_share = (major - row["size"]) * int(pitch) / 1.299
        assert 0.64 < thread_share < 0.84, thread


def test_drills() -> None:
    """Number and letter sizes rise by their order; letter E is 1/4 in; H is 0.266 in (Machinery's Handbook)."""
    rows = {r["drill"]: r["size"] for r in table("drills_inch").rows}
    numbers = [rows[f"No. {k}"] for k in range(1, 81)]
    letters = [rows[f"letter {chr(k)}"] for k in range(ord("A"), ord("Z") + 1)]
    assert np.all(np.diff(numbers) < 0)
    assert np.all(np.diff(letters) > 0)
    assert letters[0] > numbers[0]
    assert (rows["letter E"], rows["letter H"], rows["17/64 in"]) == (0.25, 0.266, 0.265625)
    assert rows["No. 7"] == 0.201


def test_bearings() -> None:
    """ISO 15:2017: 6205 is 25 x 52 x 15, 6206 is 30 x 62 x 16; widths and outer diameters rise within a series."""
    rows = {r["bearing"]: r for r in table("bearings").rows}
    assert (rows["6205"]["bore"], rows["6205"]["outer"], rows["6205"]["width"]) == (25, 52, 15)
    assert (rows["6206"]["bore"], rows["6206"]["outer"], rows["6206"]["width"]) == (30, 62, 16)
    # gzalo.com, "Ball bearing sizes", 2016.
    for name, size in {"6304": (20, 52, 15), "6305": (25, 62, 17), "6006": (30, 55, 13), "6203": (17, 40, 12)}.items():
        assert (rows[name]["bore"], rows[name]["outer"], rows[name]["width"]) == size
    for name, row in rows.items():
        # The last two figures of the number times five are the bore from 20 mm on (ISO 15, bore codes).
        if row["bore"] >= 20:
            assert int(name[-2:]) * 5 == row["bore"]


def test_o_rings() -> None:
    """SAE AS568: 214 is 0.984 x 0.139 in; sections of the five series (from memory)."""
    rows = {r["dash"]: r for r in table("o_rings").rows}
    assert (rows["214"]["inside"], rows["214"]["section"]) == (0.984, 0.139)
    sections = {"0": 0.07, "1": 0.103, "2": 0.139, "3": 0.21, "4": 0.275}
    for dash, row in rows.items():
        assert row["section"] == sections[dash[0]]
    for series in "01234":
        inside = [r["inside"] for d, r in sorted(rows.items()) if d[0] == series]
        assert np.all(np.diff(inside) > 0)


def test_a_hole_of_266_thousandths_is_17_64_or_letter_h() -> None:
    drills = [s for s in hole_sizes("h", 0.2660 * 25.4, 0.004) if s.what == "drill"]
    alike = [s for s in drills if "can't be told apart" in s.note]
    assert {s.name for s in alike} == {"17/64 in", "letter H"}
    assert all("17/64 in" in s.note and "letter H" in s.note for s in alike)
    off = next(s for s in alike if s.name == "17/64 in")
    assert off.off == pytest.approx(0.000375 * 25.4)
    assert off.sigmas == pytest.approx(0.000375 * 25.4 / 0.004)


def test_suggestions_for_a_part() -> None:
    features = [
        bore("bolt", (0, 0, 0), (0, 0, 1), 5.51, 17.0),
        bore("seat", (0, 0, 0), (0, 0, 1), 36.008, 17.2),
        feature("journal", "cylinder", (0, 0, 0), (0, 0, 1), 12.505, "boss", 800, 15.0),
        feature("groove", "torus", (0, 0, 0), (0, 0, 1), 2.0, "bore", 500, major_radius=14.4),
    ]
    found = suggest(features)
    names = {f.id: [s.name for s in found if s.feature == f.id] for f in features}
    assert any(n == "M10 medium" for n in names["bolt"])
    assert any(n.startswith("6207 outer ring") for n in names["seat"])
    assert names["seat"][0].startswith("6207"), "the seat's length tells 17 mm wide bearings from others"
    assert any(n.startswith("72 H7") for n in names["seat"])
    assert any(n.startswith("6205 inner ring") for n in names["journal"])
    assert any(n.startswith("25 k6") for n in names["journal"])
    assert any(n.startswith("AS568-2") for n in names["groove"])
    assert all(s.sigmas is not None for s in found if s.feature != "groove")


def test_nothing_near_gives_nothing() -> None:
    assert seats("s", 73.4, 0.002, 20.0, "outer") == []
    assert zones("s", 73.4, 0.002, "bore") == []
    assert rings_for("g", 1000.0, 4.0) == []
    assert [s for s in hole_sizes("h", 120.3, 0.002) if s.what == "drill"] == []
