from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.fitting import without_coating
from pipeline.features.gauging.checks import check_measured
from pipeline.job import Measured
from tests.features.made import bore, feature, plane

# The made features' radius has a standard uncertainty of 2 um, their diameter of 4.
SIGMA = 0.004


def boss(ident, point, radius):
    return feature(ident, "cylinder", point, (0, 0, 1), radius, "boss", 2000, 20.0)


def size_of(diameter: float, uncertainty: float = 0.01, feature: str | None = None, near: Any = None) -> Measured:
    return Measured(
        what="diameter", features=[near if feature is None else feature], value=diameter, uncertainty=uncertainty
    )


def between(what: str, value: float, *features: Any, uncertainty: float = 0.003, instrument: str = "") -> Measured:
    return Measured(what=what, features=features, value=value, uncertainty=uncertainty, instrument=instrument)


def test_agreement_within_the_combined_uncertainty():
    features = [bore("main", (0, 0, 0), (0, 0, 1), 25.0), bore("small", (50, 0, 0), (0, 0, 1), 6.0)]
    combined = np.hypot(SIGMA, 0.003)
    checks, proposal, _ = check_measured(
        [
            size_of(feature="main", diameter=50.0 + 1.9 * combined, uncertainty=0.003),
            size_of(near="scan: [51, 0, 3]", diameter=12.0 - 2.0 * combined, uncertainty=0.003),
        ],
        features,
    )
    assert [c.feature for c in checks] == ["main", "small"]
    assert [c.agrees for c in checks] == [True, False]
    assert checks[0].scanned == pytest.approx(50.0)
    assert checks[0].scanned_uncertainty == pytest.approx(SIGMA)
    assert proposal is not None


def test_one_size_proposes_nothing():
    assert (
        check_measured([size_of(feature="main", diameter=50.0)], [bore("main", (0, 0, 0), (0, 0, 1), 25.0)])[1] is None
    )
    assert check_measured([], []) == ((), None, ())


def test_nearest_looks_at_the_surface_seen():
    # The place is nearer to the far bore's axis, but on the wall of the main one.
    features = [bore("main", (0, 0, 0), (0, 0, 1), 25.0, 40), bore("far", (40, 0, 0), (0, 0, 1), 6.0, 40)]
    assert check_measured([size_of(near="scan: [24.5, 0, 5]", diameter=50.0)], features)[0][0].feature == "main"


def test_a_coating_is_proposed_from_a_bore_and_a_boss():
    # Bare sizes 50, 30 (bores) and 40 (boss) under 15 um of spray a side.
    features = [
        bore("big", (0, 0, 0), (0, 0, 1), 25.0 - 0.015),
        bore("small", (80, 0, 0), (0, 0, 1), 15.0 - 0.015),
        boss("post", (0, 80, 0), 20.0 + 0.015),
    ]
    sizes = [
        size_of(feature="big", diameter=50.0, uncertainty=0.002),
        size_of(feature="small", diameter=30.0, uncertainty=0.002),
        size_of(feature="post", diameter=40.0, uncertainty=0.002),
    ]
    checks, proposal, _ = check_measured(sizes, features)
    assert [c.agrees for c in checks] == [False, False, False]
    assert "coating_thickness = 0.015" in proposal
    assert "scale" not in proposal
    assert "nothing was applied" in proposal


def test_a_scale_is_proposed_where_sizes_grow_together():
    features = [bore(str(k), (0, 0, 0), (0, 0, 1), radius / 1.0005) for k, radius in enumerate((10.0, 30.0, 60.0))]
    sizes = [size_of(feature=str(k), diameter=2 * r, uncertainty=0.002) for k, r in enumerate((10.0, 30.0, 60.0))]
    proposal = check_measured(sizes, features)[1]
    assert "a scale of 1.00050" in proposal
    assert "coating" not in proposal


def test_sizes_alike_cannot_tell_a_scale_from_an_offset():
    features = [bore("a", (0, 0, 0), (0, 0, 1), 10.0 - 0.015), bore("b", (50, 0, 0), (0, 0, 1), 10.0 - 0.015)]
    sizes = [size_of(feature=k, diameter=20.0, uncertainty=0.002) for k in "ab"]
    proposal = check_measured(sizes, features)[1]
    assert "too alike to tell" in proposal
    assert "coating_thickness = 0.015" in proposal


def test_sizes_that_agree_ask_for_nothing():
    features = [bore("a", (0, 0, 0), (0, 0, 1), 10.0), bore("b", (50, 0, 0), (0, 0, 1), 40.0)]
    sizes = [size_of(feature=k, diameter=2 * f.radius + 0.001) for k, f in zip("ab", features, strict=True)]
    assert "no correction" in check_measured(sizes, features)[1]


def test_what_does_not_fit_together_is_said():
    features = [bore(k, (0, 0, 0), (0, 0, 1), r) for k, r in (("a", 10.0), ("b", 30.0), ("c", 60.0))]
    sizes = [size_of(feature=k, diameter=d, uncertainty=0.002) for k, d in (("a", 20.2), ("b", 60.0), ("c", 120.2))]
    assert "not all" in check_measured(sizes, features)[1]


@pytest.mark.parametrize(
    ("size", "features", "text"),
    [
        (size_of(feature="bore-9", diameter=5.0), [bore("bore-1", (0, 0, 0), (0, 0, 1), 5.0)], "bore-1"),
        (size_of(feature="top", diameter=5.0), [plane("top", (0, 0, 0), (0, 0, 1))], "no one diameter"),
        (size_of(near="scan: [0, 0, 0]", diameter=5.0), [plane("top", (0, 0, 0), (0, 0, 1))], "leave it out"),
    ],
)
def test_a_size_that_belongs_to_nothing(size, features, text):
    with pytest.raises(SettingsError, match=text):
        check_measured([size], features)


def stepped():
    """A bearing seat D62 inside a spigot D114 on one axis, two bolt holes beside them, and a large bore."""
    return [
        bore("seat", (0, 0, 0), (0, 0, 1), 31.0, 30),
        boss("spigot", (0, 0, 2), 57.0),
        bore("hole-1", (40, 0, 0), (0, 0, 1), 3.0),
        bore("hole-2", (0, 40, 0), (0, 0, 1), 4.0),
        bore("large", (300, 0, 0), (0, 0, 1), 100.0, 40),
    ]


@pytest.mark.parametrize(
    ("size", "found", "fits"),
    [
        # On the spigot's wall: a seat's size would have proposed a scale of 0.54.
        ({"near": "scan: [57, 0, 2]", "diameter": 62.1}, "spigot D114.000", "seat D62.000"),
        ({"feature": "spigot", "diameter": 62.1}, "spigot D114.000", "seat D62.000"),
        # A bolt hole: 2 mm are less than 3 mm, but a third of the hole.
        ({"near": "scan: [40, 0, 0]", "diameter": 8.0}, "hole-1 D6.000", "hole-2 D8.000"),
        ({"near": "scan: [40, 0, 0]", "diameter": 6.4}, "hole-1 D6.000", "nothing of that size"),
        # A large bore: 4 mm are less than 5 %, but more than 3 mm.
        ({"feature": "large", "diameter": 204.0}, "large D200.000", "nothing of that size"),
    ],
)
def test_a_size_measured_elsewhere_is_refused_with_what_was_found(size, found, fits):
    with pytest.raises(SettingsError, match=f"{found} is what the scan has there") as caught:
        check_measured([size_of(**size)], stepped())
    assert fits in str(caught.value)
    assert str(caught.value).startswith("measured 1: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("size", "feature"),
    [
        ({"near": "scan: [0, 0, 5]", "diameter": 62.1}, "seat"),  # on the axis of both: the size says which
        ({"near": "scan: [0, 0, 5]", "diameter": 113.9}, "spigot"),
        ({"near": "scan: [0, 0, 2]", "diameter": 113.9}, "spigot"),  # its own point, as the report has it
        ({"near": "scan: [40, 0, 0]", "diameter": 5.8}, "hole-1"),
        ({"feature": "large", "diameter": 202.9}, "large"),
        # Off by more than 5 %, but by no more than such a rough measurement explains.
        ({"feature": "hole-1", "diameter": 6.5, "uncertainty": 0.3}, "hole-1"),
    ],
)
def test_a_size_that_can_be_the_features_is_taken(size, feature):
    checks, _, taken = check_measured([size_of(**size)], stepped())
    assert checks[0].feature == feature
    assert [t.feature for t in taken] == ([feature] if "near" in size else [])


@pytest.mark.parametrize(("place", "diameter"), [((0, 0, 60), 62.0), ((40, 0, 60), 6.0)])
def test_a_place_near_to_nothing_is_refused(place, diameter):
    with pytest.raises(SettingsError, match="too far to be meant"):
        check_measured([size_of(near=f"scan: {list(place)}", diameter=diameter)], stepped())
    nearer = size_of(near="scan: [5, 0, 40]", diameter=62.0)  # 25 mm beyond the seat's end, less than half its size
    assert check_measured([nearer], stepped())[0][0].feature == "seat"


def test_a_place_between_two_of_one_size_is_refused():
    pair = [bore("a", (0, 0, 0), (0, 0, 1), 3.0), bore("b", (10, 0, 0), (0, 0, 1), 3.0)]
    with pytest.raises(SettingsError, match=r"could mean b D6\.000, 1\.95 mm away or a D6\.000"):
        check_measured([size_of(near="scan: [5.05, 0, 0]", diameter=6.0)], pair[::-1])


# A plate 40 thick with a step: top at 40, foot at 0 looking down, a ledge at 15 looking up, a slot from 60 to 70 in x.
def plate(spray: float = 0.0):
    return [
        plane("top", (0, 0, 40 + spray), (0, 0, 1)),
        plane("foot", (0, 0, -spray), (0, 0, -1)),
        plane("ledge", (50, 0, 15 + spray), (0, 0, 1)),
        plane("slot-a", (60 + spray, 0, 5), (1, 0, 0)),
        plane("slot-b", (70 - spray, 0, 5), (-1, 0, 0)),
        feature("along", "cylinder", (20, 0, 20), (0, 1, 0), 5.0, "bore", 900, 30.0),
        bore("up", (0, 0, 20), (0, 0, 1), 8.0),
    ]


@pytest.mark.parametrize(
    ("size", "scanned", "coatings"),
    [
        # By how many coatings the bare part is larger: worked by hand from which way each face looks.
        (between("thickness", 40.0, "top", "foot"), 40.0, -2),
        (between("thickness", 40.0, "foot", "top"), 40.0, -2),
        (between("thickness", 15.0, "ledge", "foot"), 15.0, -2),
        (between("distance", 25.0, "top", "ledge"), 25.0, 0),
        (between("distance", 25.0, "ledge", "top"), 25.0, 0),
        (between("distance", 10.0, "slot-a", "slot-b"), 10.0, 2),
        (between("distance", 20.0, "foot", "along"), 20.0, -1),
        (between("distance", 20.0, "along", "top"), 20.0, -1),
        (between("distance", 60.0, "up", "slot-a"), 60.0, -1),
    ],
)
def test_what_a_coating_does_to_a_distance(size, scanned, coatings):
    t = 0.02
    (bare,), _, _ = check_measured([size], plate())
    (coated,), _, _ = check_measured([size], plate(t))
    assert bare.scanned == pytest.approx(scanned)
    assert bare.agrees
    assert coated.scanned - bare.scanned == pytest.approx(-coatings * t, abs=1e-9)


def test_thicknesses_and_distances_tell_coating_from_scale():
    """Spray of 15 um a face and a scanner that measures 0.05 % too small: what each size shows is worked by hand."""
    t, scale = 0.015, 1.0005
    scanned = [
        plane("top", (0, 0, (400 + t) / scale), (0, 0, 1)),
        plane("foot", (0, 0, -t / scale), (0, 0, -1)),
        plane("ledge", (0, 0, (50 + t) / scale), (0, 0, 1)),
        plane("step", (0, 0, (3 + t) / scale), (0, 0, 1)),
    ]
    sizes = [
        between("distance", 350.0, "top", "ledge", uncertainty=0.002),
        between("thickness", 50.0, "ledge", "foot", uncertainty=0.002),
        between("thickness", 3.0, "step", "foot", uncertainty=0.002),
    ]
    checks, proposal, _ = check_measured(sizes, scanned)
    assert checks[0].agrees is False
    assert "a scale of 1.0005" in proposal
    assert "coating_thickness = 0.015" in proposal
    alone = check_measured(sizes[1:], scanned)[1]
    assert "coating_thickness" in alone
    # Distances between faces of one sense say nothing of a coating, but the scale as it is.
    free = [sizes[0], between("distance", 397.0, "top", "step", uncertainty=0.002)]
    proposal = check_measured(free, scanned)[1]
    assert "no coating changes, ask for a scale of 1.00050" in proposal
    assert "no correction" in check_measured([between("distance", 25.0, "top", "ledge")] * 2, plate(0.02))[1]


def test_a_coating_taken_off_leaves_the_bare_thickness():
    bare = [without_coating(face, 0.02) for face in plate(0.02)]
    (check,), _, _ = check_measured([between("thickness", 40.0, "top", "foot", instrument="micrometer")], bare)
    assert check.scanned == pytest.approx(40.0)
    assert (check.what, check.feature, check.other, check.instrument) == ("thickness", "top", "foot", "micrometer")


def test_faces_that_are_not_quite_parallel_widen_the_check():
    tilted = np.radians(0.2)
    corners = np.array([[-30, -30, 0], [30, -30, 0], [30, 30, 0], [-30, 30, 0]], float)
    corners[:, 2] = -corners[:, 0] * np.tan(tilted)
    top = plane("top", (0, 0, 40), (np.sin(tilted), 0, np.cos(tilted)))
    top = replace(top, extent=replace(top.extent, corners=corners))
    foot = plane("foot", (0, 0, 0), (0, 0, -1))
    (check,), _, _ = check_measured([between("thickness", 40.05, "foot", "top")], [top, foot])
    (flat,), _, _ = check_measured([between("thickness", 40.05, "foot", "top")], plate())
    assert check.agrees
    assert flat.agrees is False
    assert check.scanned_uncertainty > 5 * flat.scanned_uncertainty


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (between("thickness", 25.0, "top", "ledge"), 'write what = "distance"'),
        (between("thickness", 10.0, "slot-a", "slot-b"), 'write what = "distance"'),
        (between("thickness", 40.0, "top", "along"), "is a cylinder, which has no thickness; choose faces"),
        (between("distance", 40.0, "top", "slot-a"), "are not parallel"),
        (between("distance", 40.0, "top", "up"), "are not parallel"),
        (between("distance", 40.0, "top", "top"), "both of its features are top"),
        (between("distance", 40.0, "top", "F9"), "there is no feature 'F9'"),
        (between("distance", 35.0, "top", "foot"), "top to foot 40.000 is what the scan has there, too far off"),
        (between("distance", 25.0, "top", "foot"), "of that size are top to ledge 25.000"),
        (between("distance", 40.0, "top", "scan: [300, 0, 0]"), "too far to be meant"),
    ],
)
def test_a_distance_that_can_not_be_is_refused(size, text):
    with pytest.raises(SettingsError, match=text.replace("[", r"\[")) as caught:
        check_measured([size], plate())
    assert str(caught.value).startswith("measured 1: ")
    assert "\n" not in str(caught.value)


def test_places_stand_for_faces():
    size = between("distance", 25.0, "scan: [0, 0, 40.5]", "scan: [50, 1, 14.9]")
    (check,), _, taken = check_measured([size], plate())
    assert (check.feature, check.other) == ("top", "ledge")
    assert [(t.setting, t.feature) for t in taken] == [("measured 1", "top"), ("measured 1", "ledge")]
