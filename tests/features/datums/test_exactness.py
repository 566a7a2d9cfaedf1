"""What stands out of all that is held against nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from pipeline.features.datums.designation import choose
from pipeline.features.datums.exactness import Exactness, exactness
from pipeline.features.datums.proposals import complete
from pipeline.features.uncertainty import LEVEL
from tests.features.made import block, bore, plane, pose, posed, uncertainty
from tests.features.relations.test_pairs import drawn


def of(features) -> Exactness:
    given = [choose(name, features, {}) for name in ("top", "main", "left")]
    return exactness(complete(given, features, ()).datums)


def all_that_stands_out(found: Exactness) -> set[frozenset[str]]:
    told = {"A": "top", "B": "main", "C": "left"}
    rows = {frozenset((s.feature, told[s.datum])) for s in found.square_up if s.significant}
    return rows | {frozenset(r.between) for r in found.relations if r.p_adjusted is not None and r.p_adjusted <= LEVEL}


def test_tables_agree_on_a_pair() -> None:
    rng = np.random.default_rng(4)
    told = {"A": "top", "B": "main", "C": "left"}
    words = {"parallel": ("parallel",), "square": ("perpendicular",), "coaxial": ("coaxial",)}
    shared = 0
    for _ in range(30):
        found = of(
            posed([drawn(f, rng) if f.direction is not None else f for f in block()], pose(int(rng.integers(99))))
        )
        stated = {(r.kind, frozenset(r.between)): r for r in found.relations}
        for row in found.square_up:
            for word in words[row.kind]:
                twin = stated.get((word, frozenset((row.feature, told[row.datum]))))
                if twin is not None:
                    shared += 1
                    assert not row.significant
                    assert twin.p_adjusted == pytest.approx(row.p_adjusted, rel=1e-4)
    assert shared > 200


def test_of_exact_parts_one_in_twenty_has_anything_that_stands_out() -> None:
    """Features drawn from their own covariances about an exact block: Holm's promise, for all rows and relations."""
    rng = np.random.default_rng(8)
    turns = 400
    loose = [
        f if f.direction is None else replace(f, uncertainty=uncertainty(f.kind, f.direction, 2.0, k))
        for k, f in enumerate(block())
    ]
    false = sum(
        bool(all_that_stands_out(of([f if f.direction is None else drawn(f, rng) for f in loose])))
        for _ in range(turns)
    )
    assert false / turns <= 0.05 + 2.0 * np.sqrt(0.05 * 0.95 / turns)
    assert false > 0


def test_a_bore_a_tenth_aside_stands_out_and_nothing_else_does() -> None:
    features = [f for f in block() if f.id != "coax"] + [bore("coax", (0.1, 0, -42), (0, 0, -1), 15, 6)]
    assert all_that_stands_out(of(block())) == set()
    assert all_that_stands_out(of(features)) == {frozenset(("coax", "main"))}


def test_the_true_angle_is_within_what_is_stated() -> None:
    """A wall 0.003 degrees out of square, drawn from its own covariance: what noise alone could be as well."""
    rng = np.random.default_rng(11)
    out, turns = np.radians(0.003), 100
    wall = plane("front", (1, -40, -20), (0, -np.cos(out), np.sin(out)), 4000)
    exact = [wall if f.id == "front" else f for f in block()]
    held = []
    for _ in range(turns):
        found = of([f if f.direction is None else drawn(f, rng) for f in exact])
        (row,) = (s for s in found.square_up if (s.feature, s.datum) == ("front", "A"))
        held.append(out <= row.within)
        assert row.within < 10.0 * out
    assert turns - sum(held) <= binom.ppf(0.99, turns, 0.05)


def test_what_is_not_known_is_not_judged() -> None:
    features = [
        replace(f, uncertainty=replace(f.uncertainty, covariance=None)) if f.id == "far" else f for f in block()
    ]
    found = of(features)
    rows = [row for row in found.square_up if row.feature == "far"]
    assert rows
    assert all((row.p, row.p_adjusted, row.significant) == (None, None, False) for row in rows)
    assert found.tests < of(block()).tests
