"""The tables of standards against values from outside, each with its source beside it.

Covers: pipeline.standards.tables, pipeline.standards.bushes
"""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
import pytest

from pipeline.standards import drill_bush, screw_hole, suggest
from pipeline.standards.fits import seats, zones
from pipeline.standards.glands import round_groove
from pipeline.standards.holes import hole_sizes
from pipeline.standards.sizes import Size
from pipeline.standards.tables import TABLES, grade, table, zone
from tests.features.made import bore, feature

BANDS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)


def test_every_table_names_its_source() -> None:
    for name in TABLES:
        for source in table(name).source:
            # A standard with its year, or what isn't one said in the trade's or our own words; no personal pages.
            dated = re.search(r"\b(ISO|ASME|SAE)\b.*\b(19|20)\d\d\b", source)
            assert dated or "from memory" in source or "common practice" in source, source
            assert "handbooks" not in source
        assert table(name).rows


@pytest.mark.parametrize(
    ("bolt", "sizes"),
    [
        # ISO 273:1979, as printed there; a list found on PyPI that differs at M12 to M16 is not ISO 273.
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


def test_tolerance_grades() -> None:
    """ISO 286-1:2010, table 1, from memory."""
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
        for name in ("h6", "h7", "h9", "h11", "g6", "f7", "k6", "m6", "n6", "p6"):
            low, high = zone(name, band)
            want = tables.shaft_deviation(band, name[0], int(name[1:]))
            got = high if name[0] in "fgh" else low
            assert round(1e3 * got) == want, (name, band)
    for band in table("tolerance_zones_narrow").rows[0]:
        if band.isdigit():
            assert round(1e3 * zone("s6", float(band))[0]) == tables.shaft_deviation(float(band), "s", 6)


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
    """ISO 2306:1972, from memory; the fine pitches by diameter less pitch, the common practice."""
    assert next(r["drill"] for r in table("tapping_metric").rows if r["thread"] == name) == size


def test_tapping_drills_inch() -> None:
    """1/4-20 UNC takes No. 7 = 0.201 in (from memory); D - 0.75 * 1.299 / tpi of 75 % thread for the others."""
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
    """Number and letter sizes rise by their order; letter E is 1/4 in; H is 0.266 in (from memory)."""
    rows = {r["drill"]: r["size"] for r in table("drills_inch").rows}
    numbers = [rows[f"No. {k}"] for k in range(1, 81)]
    letters = [rows[f"letter {chr(k)}"] for k in range(ord("A"), ord("Z") + 1)]
    assert np.all(np.diff(numbers) < 0)
    assert np.all(np.diff(letters) > 0)
    assert letters[0] > numbers[0]
    assert (rows["letter E"], rows["letter H"], rows["17/64 in"]) == (0.25, 0.266, 0.265625)
    assert rows["No. 7"] == 0.201
    # Over 1 in: 1/64 in steps to 1-3/4 in, 1/32 in to 2-1/4 in (ASME B94.11M-1993, from memory).
    large = sorted(size * 64 for name, size in rows.items() if size > 1.0)
    assert large == [*range(65, 113), *range(114, 129, 2)]


def test_bearings() -> None:
    """ISO 15:2017: 6205 is 25 x 52 x 15, 6206 is 30 x 62 x 16; bore codes of the last two figures."""
    rows = {r["bearing"]: r for r in table("bearings").rows}
    assert (rows["6205"]["bore"], rows["6205"]["outer"], rows["6205"]["width"]) == (25, 52, 15)
    assert (rows["6206"]["bore"], rows["6206"]["outer"], rows["6206"]["width"]) == (30, 62, 16)
    # From memory.
    for name, size in {"608": (8, 22, 7), "625": (5, 16, 5), "6304": (20, 52, 15), "2206": (30, 62, 20)}.items():
        assert (rows[name]["bore"], rows[name]["outer"], rows[name]["width"]) == size
    codes = {"00": 10, "01": 12, "02": 15, "03": 17}
    for name, row in rows.items():
        if len(name) > 3:
            assert row["bore"] == codes.get(name[-2:], 5 * int(name[-2:])), name
        elif name[0] == "6":
            assert row["bore"] == int(name[-1])


@pytest.mark.parametrize(
    ("series", "base", "widths"),
    [
        # A maker's table of metric tapered roller bearings of 15 to 35 mm bore (overall width T).
        ("302", "62", {"03": 13.25, "04": 15.25, "05": 16.25, "06": 17.25, "07": 18.25}),
        ("322", "62", {"03": 17.25, "04": 19.25, "06": 21.25, "07": 24.25}),
        ("303", "63", {"02": 14.25, "04": 16.25, "05": 18.25, "06": 20.75, "07": 22.75}),
        ("320", "60", {"04": 15.0, "05": 15.0, "06": 17.0, "07": 18.0}),
    ],
)
def test_tapered_bearings_share_bore_and_ring(series, base, widths) -> None:
    rows = {r["bearing"]: r for r in table("bearings").rows}
    for code, width in widths.items():
        assert rows[series + code]["width"] == width
        for side in ("bore", "outer"):
            assert rows[series + code][side] == rows[base + code][side]
    # Within a series a larger bearing is no narrower (ISO 355, dimension series).
    mine = [r["width"] for n, r in sorted(rows.items()) if n[:-2] == series]
    assert len(mine) > 10
    assert np.all(np.diff(mine) >= 0)


def test_pipe_threads() -> None:
    """ISO 228-1:2000: minor diameter D1 = D - 1.280654 P, and its tolerance. ASME B1.20.1-2013 (both from memory):
    E0 = D - (0.05 D + 1.1) P, thread height 0.8 P, taper 1 in 16, L1 the length of hand tight engagement."""
    rows = {r["thread"]: r["size"] for r in table("tapping_pipe").rows}
    majors = {"1/16": (7.723, 28), "1/8": (9.728, 28), "1/4": (13.157, 19), "3/8": (16.662, 19), "1/2": (20.955, 14)}
    majors |= {"5/8": (22.911, 14), "3/4": (26.441, 14), "7/8": (30.201, 14), "1": (33.249, 11), "1 1/4": (41.910, 11)}
    majors |= {"1 1/2": (47.803, 11), "1 3/4": (53.746, 11), "2": (59.614, 11)}
    within = {28: 0.282, 19: 0.445, 14: 0.541, 11: 0.640}
    assert {f"G {name}" for name in majors} == {name for name in rows if name.startswith("G")}
    for name, (major, per_inch) in majors.items():
        minor = major - 1.280654 * 25.4 / per_inch
        assert minor < rows[f"G {name}"] < minor + within[per_inch], name
    outside = {"1/16": (0.3125, 0.160), "1/8": (0.405, 0.1615), "1/4": (0.540, 0.2278), "3/8": (0.675, 0.240)}
    outside |= {"1/2": (0.840, 0.320), "3/4": (1.050, 0.339), "1": (1.315, 0.400), "1 1/4": (1.660, 0.420)}
    outside |= {"1 1/2": (1.900, 0.420), "2": (2.375, 0.436)}
    tapers = {name: size for name, size in rows.items() if name.endswith("NPT")}
    assert len(tapers) == len(outside)
    for name, size in tapers.items():
        pipe, pitch = name.removesuffix(" NPT").rsplit("-", 1)
        major, engaged = outside[pipe]
        small = major - (0.05 * major + 1.1) / float(pitch) - 0.8 / float(pitch)
        # Between the minor diameter at the small end and half a hundredth over that at the large one.
        assert small - 0.003 < size / 25.4 < small + engaged / 16.0 + 0.005, name


def test_dowels_and_lip_seals() -> None:
    """ISO 8734:1997: 1 to 20 mm; ISO 6194-1:2007: widths 7, 8, 10, 12, 15 by shaft (both from memory)."""
    hardened = [r["pin"] for r in table("dowels").rows if "ISO 8734" in r["standard"]]
    assert hardened == [1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20]
    rows = table("lip_seals").rows
    assert {(r["shaft"], r["outer"], r["width"]) for r in rows} >= {
        (20, 35, 7),
        (30, 52, 7),
        (45, 62, 8),
        (80, 100, 10),
    }
    for row in rows:
        assert row["outer"] - row["shaft"] >= 10
        assert row["width"] == next(
            w for most, w in ((30, 7), (60, 8), (80, 10), (130, 12), (999, 15)) if row["shaft"] <= most
        )


def test_glands_leave_room_and_squeeze() -> None:
    """A ring is squeezed by 8 to 30 %, and fills no more than 90 % of its housing (ISO 3601-2:2016, from memory)."""
    for row in table("o_ring_glands").rows:
        section = 0.5 * (row["section_least"] + row["section_most"])
        assert 1.0 - row["depth_most"] / section > 0.08
        assert 1.0 - row["depth_least"] / section < 0.30
        middle = 0.25 * (row["depth_least"] + row["depth_most"]) * (row["width_least"] + row["width_most"])
        assert 0.60 < np.pi / 4.0 * section**2 / middle < 0.90


def test_o_rings() -> None:
    """SAE AS568: 214 is 0.984 x 0.139 in; sections of the five series (from memory)."""
    rows = {r["dash"]: r for r in table("o_rings").rows}
    assert (rows["214"]["inside"], rows["214"]["section"]) == (0.984, 0.139)
    sections = {"0": 0.07, "1": 0.103, "2": 0.139, "3": 0.21, "4": 0.275}
    for dash, row in rows.items():
        if dash[0] != "9" and dash > "003":
            assert row["section"] == sections[dash[0]]
    assert (rows["001"]["section"], rows["003"]["inside"]) == (0.04, 0.056)
    # The dash numbers of each series, from memory.
    spans = {"0": (1, 50), "1": (102, 178), "2": (201, 284), "3": (309, 395), "4": (425, 475)}
    for series, (first, last) in spans.items():
        assert [d for d in rows if d[0] == series] == [f"{k:03d}" for k in range(first, last + 1)]
    # Largest insides of each series: a supplier's size chart (Global O-Ring and Seal, AS568 chart).
    largest = {"0": 5.239, "1": 9.737, "2": 17.955, "3": 25.940, "4": 25.940, "9": 2.337}
    for series, inside in largest.items():
        assert max(r["inside"] for d, r in rows.items() if d[0] == series) == inside
    for series in "012349":
        inside = [r["inside"] for d, r in sorted(rows.items()) if d[0] == series]
        assert np.all(np.diff(inside) > 0)


def test_o_rings_metric() -> None:
    """ISO 3601-1:2012 (from memory): sections of the general series; insides go by about the R40 series."""
    by_section: dict[float, list[float]] = {}
    for row in table("o_rings_metric").rows:
        by_section.setdefault(row["section"], []).append(row["inside"])
    assert list(by_section) == [1.8, 2.65, 3.55, 5.3, 7.0]
    for inside in by_section.values():
        assert np.all(np.diff(inside) > 0)
        assert np.all(np.array(inside[1:]) / np.array(inside[:-1]) < 1.15)


def test_a_hole_of_266_thousandths_is_17_64_or_letter_h() -> None:
    drills = [s for s in hole_sizes(Size("h", 0.2660 * 25.4, 0.004)) if s.what == "drill"]
    alike = [s for s in drills if "can't be told apart" in s.note]
    assert {s.name for s in alike} == {"17/64 in", "letter H"}
    assert all("17/64 in" in s.note and "letter H" in s.note for s in alike)
    off = next(s for s in alike if s.name == "17/64 in")
    assert off.off == pytest.approx(0.000375 * 25.4)
    # A drill leaves -0.03 to 0.1 mm, evenly: its share of the uncertainty is the span over the root of 12.
    assert off.sigmas == pytest.approx(0.000375 * 25.4 / np.hypot(0.004, 0.13 / np.sqrt(12.0)))


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
    assert seats(Size("s", 73.4, 0.002, 20.0), "bore") == []
    assert zones(Size("s", 73.3, 0.002), "bore") == []
    assert round_groove("g", 1000.0, 4.0) == []
    assert [s for s in hole_sizes(Size("h", 120.3, 0.002)) if s.what == "drill"] == []


def test_bushes_and_screw_holes() -> None:
    """ISO 273, medium: M8 9, M10 11 (public tables of bolt makers agree). DIN 179: a bush of bore 10 is 15 outside and
    12, 20 or 25 long, one of 12 is 18 outside (from memory); F7 at 10 mm is +13/+28 um and h8 -22/0 (ISO 286-2, from
    memory), so that a drill has 50 um of play at most."""
    assert [screw_hole(thread) for thread in (8.0, 10.0, 9.3)] == [9.0, 11.0, None]
    bush = drill_bush(10.0)
    assert bush is not None
    assert (bush.outer, bush.lengths, bush.play) == (15.0, (12.0, 20.0, 25.0), pytest.approx(0.050))
    larger = drill_bush(10.2)
    assert larger is not None
    assert larger.outer == 18.0
    assert drill_bush(40.0) is None
