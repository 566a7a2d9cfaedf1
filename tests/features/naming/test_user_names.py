"""The user's names, and what a text of theirs means.

Covers: pipeline.values.features
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.errors import SettingsError
from pipeline.features.naming import named, nameless
from tests.features.made import bore

FEATURES = [replace(bore(f"H{k}", (30.0 * k, 0, 0), (0, 0, 1), 5.0), old_id=f"bore-{k}{k}{k}{k}") for k in (1, 2, 3)]


def test_either_way_round_and_by_the_old_id() -> None:
    found = named(FEATURES, {"H1": "seat A", "seat B": "H2", "bore-3333": "drain"})
    assert [f.name for f in found] == ["seat A", "seat B", "drain"]
    assert [f.id for f in found] == ["H1", "H2", "H3"]


def test_what_fits_nothing_is_passed_over() -> None:
    names = {"H9": "ghost", "H1": "seat A"}
    assert [f.name for f in named(FEATURES, names)] == ["seat A", None, None]
    assert nameless(FEATURES, names) == [("H9", "ghost")]


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ({"H1": "seat", "H2": "seat"}, "calls both H1 and H2 'seat'"),
        ({"H1": "seat", "bore-1111": "seal"}, "calls H1 both 'seat' and 'seal'"),
        ({"H1": "H2"}, "calls H1 'H2', which is the number of another feature"),
        ({"H1": "bore-2222"}, "calls H1 'bore-2222', which is the number of another feature"),
        ({"H1": "H7"}, "calls H1 'H7', which is the number of another feature"),
    ],
)
def test_what_would_mean_two_is_refused_in_a_sentence(names: dict[str, str], told: str) -> None:
    with pytest.raises(SettingsError, match=told) as error:
        named(FEATURES, names, ["H7"])  # which an earlier scan had
    assert "\n" not in str(error.value)


def test_what_a_feature_goes_by() -> None:
    seat = named(FEATURES, {"H1": "seat A"})[0]
    assert [seat.goes_by(text) for text in ("H1", "seat A", "bore-1111", "H2", "", None)] == [True] * 3 + [False] * 3
    assert not bore("H1", (0, 0, 0), (0, 0, 1), 5.0).goes_by(None)


def test_its_own_number_is_no_other_name() -> None:
    assert named(FEATURES, {"H1": "H1"})[0].name == "H1"
