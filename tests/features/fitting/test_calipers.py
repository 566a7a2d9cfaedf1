from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.fitting.calipers import check_calipers, without_coating
from pipeline.job import Caliper
from tests.features.made import bore, feature, plane

# The made features' radius has a standard uncertainty of 2 um, their diameter of 4.
SIGMA = 0.004


def boss(ident, point, radius):
    return feature(ident, "cylinder", point, (0, 0, 1), radius, "boss", 2000, 20.0)


def test_coating_off_every_side():
    # Spray makes bores small and bosses big, by its thickness a side (common practice, no source).
    t = 0.02
    assert without_coating(bore("b", (0, 0, 0), (0, 0, 1), 10.0), t).radius == pytest.approx(10.02)
    assert without_coating(boss("s", (0, 0, 0), 10.0), t).radius == pytest.approx(9.98)
    face = without_coating(plane("p", (1, 2, 3), (0, 0, 1)), t)
    assert face.point == pytest.approx((1, 2, 2.98))
    ball = feature("o", "sphere", (0, 0, 0), None, 7, "bore", 300)
    assert without_coating(ball, t).radius == pytest.approx(7.02)


def test_coating_off_a_cone_moves_it_along_its_slant():
    # Every point of the coated cone is the thickness away from the bare one, by the cone's own distance.
    from pipeline.surfaces import signed_distance
    from pipeline.surfaces.shape import shape_of

    coated = feature("c", "cone", (0, 0, 0), (0, 0, 1), 10.0, "bore", 900, 8.0, half_angle=np.radians(30))
    bare = without_coating(coated, 0.02)
    z = np.linspace(-4, 4, 9)
    on = np.column_stack([10 + z * np.tan(np.radians(30)), 0 * z, z])
    assert signed_distance(shape_of(bare), on) == pytest.approx(-0.02)


def test_coating_adds_its_own_doubt():
    plain = bore("b", (0, 0, 0), (0, 0, 1), 10.0)
    bare = without_coating(plain, 0.02)
    assert bare.uncertainty.radius == pytest.approx(np.hypot(plain.uncertainty.radius, 0.004))
    assert bare.uncertainty.covariance[4, 4] == pytest.approx(plain.uncertainty.covariance[4, 4] + 0.004**2)
    assert bare.uncertainty.position == plain.uncertainty.position
    assert "coating" in bare.uncertainty.method
    assert without_coating(plain, 0.0) is plain


def test_agreement_within_the_combined_uncertainty():
    features = [bore("main", (0, 0, 0), (0, 0, 1), 25.0), bore("small", (50, 0, 0), (0, 0, 1), 6.0)]
    combined = np.hypot(SIGMA, 0.003)
    checks, proposal, _ = check_calipers(
        [
            Caliper(feature="main", diameter=50.0 + 1.9 * combined, uncertainty=0.003),
            Caliper(near="scan: [51, 0, 3]", diameter=12.0 - 2.0 * combined, uncertainty=0.003),
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
        check_calipers([Caliper(feature="main", diameter=50.0)], [bore("main", (0, 0, 0), (0, 0, 1), 25.0)])[1] is None
    )
    assert check_calipers([], []) == ((), None, ())


def test_nearest_looks_at_the_surface_seen():
    # The place is nearer to the far bore's axis, but on the wall of the main one.
    features = [bore("main", (0, 0, 0), (0, 0, 1), 25.0, 40), bore("far", (40, 0, 0), (0, 0, 1), 6.0, 40)]
    assert check_calipers([Caliper(near="scan: [24.5, 0, 5]", diameter=50.0)], features)[0][0].feature == "main"


def test_a_coating_is_proposed_from_a_bore_and_a_boss():
    # Bare sizes 50, 30 (bores) and 40 (boss) under 15 um of spray a side.
    features = [
        bore("big", (0, 0, 0), (0, 0, 1), 25.0 - 0.015),
        bore("small", (80, 0, 0), (0, 0, 1), 15.0 - 0.015),
        boss("post", (0, 80, 0), 20.0 + 0.015),
    ]
    calipers = [
        Caliper(feature="big", diameter=50.0, uncertainty=0.002),
        Caliper(feature="small", diameter=30.0, uncertainty=0.002),
        Caliper(feature="post", diameter=40.0, uncertainty=0.002),
    ]
    checks, proposal, _ = check_calipers(calipers, features)
    assert [c.agrees for c in checks] == [False, False, False]
    assert "coating_thickness = 0.015" in proposal
    assert "scale" not in proposal
    assert "nothing was applied" in proposal


def test_a_scale_is_proposed_where_sizes_grow_together():
    features = [bore(str(k), (0, 0, 0), (0, 0, 1), radius / 1.0005) for k, radius in enumerate((10.0, 30.0, 60.0))]
    calipers = [Caliper(feature=str(k), diameter=2 * r, uncertainty=0.002) for k, r in enumerate((10.0, 30.0, 60.0))]
    proposal = check_calipers(calipers, features)[1]
    assert "a scale of 1.00050" in proposal
    assert "coating" not in proposal


def test_sizes_alike_cannot_tell_a_scale_from_an_offset():
    features = [bore("a", (0, 0, 0), (0, 0, 1), 10.0 - 0.015), bore("b", (50, 0, 0), (0, 0, 1), 10.0 - 0.015)]
    calipers = [Caliper(feature=k, diameter=20.0, uncertainty=0.002) for k in "ab"]
    proposal = check_calipers(calipers, features)[1]
    assert "too alike to tell" in proposal
    assert "coating_thickness = 0.015" in proposal


def test_sizes_that_agree_ask_for_nothing():
    features = [bore("a", (0, 0, 0), (0, 0, 1), 10.0), bore("b", (50, 0, 0), (0, 0, 1), 40.0)]
    calipers = [Caliper(feature=k, diameter=2 * f.radius + 0.001) for k, f in zip("ab", features, strict=True)]
    assert "no correction" in check_calipers(calipers, features)[1]


def test_what_does_not_fit_together_is_said():
    features = [bore(k, (0, 0, 0), (0, 0, 1), r) for k, r in (("a", 10.0), ("b", 30.0), ("c", 60.0))]
    calipers = [Caliper(feature=k, diameter=d, uncertainty=0.002) for k, d in (("a", 20.2), ("b", 60.0), ("c", 120.2))]
    assert "not all" in check_calipers(calipers, features)[1]


@pytest.mark.parametrize(
    ("caliper", "features", "text"),
    [
        (Caliper(feature="bore-9", diameter=5.0), [bore("bore-1", (0, 0, 0), (0, 0, 1), 5.0)], "bore-1"),
        (Caliper(feature="top", diameter=5.0), [plane("top", (0, 0, 0), (0, 0, 1))], "no one diameter"),
        (Caliper(near="scan: [0, 0, 0]", diameter=5.0), [plane("top", (0, 0, 0), (0, 0, 1))], "leave it out"),
    ],
)
def test_a_caliper_that_belongs_to_nothing(caliper, features, text):
    with pytest.raises(SettingsError, match=text):
        check_calipers([caliper], features)


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
    ("caliper", "found", "fits"),
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
def test_a_size_measured_elsewhere_is_refused_with_what_was_found(caliper, found, fits):
    with pytest.raises(SettingsError, match=f"{found} is what the scan has there") as caught:
        check_calipers([Caliper.model_validate(caliper)], stepped())
    assert fits in str(caught.value)
    assert str(caught.value).startswith("caliper 1: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("caliper", "feature"),
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
def test_a_size_that_can_be_the_features_is_taken(caliper, feature):
    checks, _, taken = check_calipers([Caliper.model_validate(caliper)], stepped())
    assert checks[0].feature == feature
    assert [t.feature for t in taken] == ([feature] if "near" in caliper else [])


@pytest.mark.parametrize(("place", "diameter"), [((0, 0, 60), 62.0), ((40, 0, 60), 6.0)])
def test_a_place_near_to_nothing_is_refused(place, diameter):
    with pytest.raises(SettingsError, match="too far to be meant"):
        check_calipers([Caliper(near=f"scan: {list(place)}", diameter=diameter)], stepped())
    nearer = Caliper(near="scan: [5, 0, 40]", diameter=62.0)  # 25 mm beyond the seat's end, less than half its size
    assert check_calipers([nearer], stepped())[0][0].feature == "seat"


def test_a_place_between_two_of_one_size_is_refused():
    pair = [bore("a", (0, 0, 0), (0, 0, 1), 3.0), bore("b", (10, 0, 0), (0, 0, 1), 3.0)]
    with pytest.raises(SettingsError, match=r"could mean b D6\.000, 1\.95 mm away or a D6\.000"):
        check_calipers([Caliper(near="scan: [5.05, 0, 0]", diameter=6.0)], pair[::-1])
