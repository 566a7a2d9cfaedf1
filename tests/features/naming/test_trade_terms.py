"""Words for features: each kind has its own on either side, and each of them is understood in a job."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from pipeline.features.datums import choose
from pipeline.features.naming import OUTSIDE, RELATIONS, SIDES, TERMS, term_of, term_of_look
from pipeline.surfaces import KINDS
from tests.features.made import feature

UP = (0.0, 0.0, 1.0)
ORIGIN = (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("diameter", "side", "term"),
    [
        # Twist drills with a parallel shank end at 20 mm, with a taper shank they are common up to 30 (from memory).
        (6.8, "bore", "hole"),
        (30.0, "bore", "hole"),
        (30.01, "bore", "bore"),
        (6.8, "boss", "outside diameter"),
        (114.0, "boss", "outside diameter"),
    ],
)
def test_a_cylinder_is_a_hole_a_bore_or_an_outside_diameter(diameter, side, term):
    assert term_of(feature("C1", "cylinder", ORIGIN, UP, 0.5 * diameter, side)) == term


def test_every_kind_has_a_word_of_its_own_on_either_side():
    words = [
        term_of(SimpleNamespace(kind=name, side=side, radius=50.0))
        for name, kind in KINDS.items()
        for side in ((None,) if kind.flat else tuple(SIDES))
    ]
    assert len(set(words)) == len(words)
    assert not {word for word in words if "_" in word or "boss" in word}
    looks = [term_of_look(look) for kind in KINDS.values() for look in kind.looks]
    assert len(set(looks)) == len(looks)


@pytest.mark.parametrize("word", [*TERMS.values(), *OUTSIDE, "hole", "boss"])
def test_a_job_may_say_every_word(word):
    meant = {term: key for key, term in TERMS.items()}
    kind, side = meant.get(word, ("cylinder", "bore" if word == "hole" else "boss"))
    more = {"half_angle": 0.2} if kind == "cone" else {"major_radius": 20.0} if kind == "torus" else {}
    direction = None if kind == "sphere" else UP
    radius = None if kind == "plane" else 5.0
    others = ("bore" if side == "boss" else "boss") if side else None
    found = [
        feature("X1", kind, ORIGIN, direction, radius, side, **more),
        *([feature("X2", kind, ORIGIN, direction, radius, others, **more)] if others else []),
    ]
    assert choose(f"{word} nearest scan: [5, 0, 0]", found, {}).members == ("X1",)


def test_the_deviations_are_called_as_iso_1101_calls_them():
    # ISO 1101:2017, table 1: parallelism, perpendicularity, coaxiality (concentricity).
    assert [RELATIONS[kind] for kind in ("parallel", "square", "perpendicular", "coaxial")] == [
        "parallelism", "perpendicularity", "perpendicularity", "coaxiality",
    ]  # fmt: skip
