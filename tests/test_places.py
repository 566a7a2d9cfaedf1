"""Points as a job has them."""

from __future__ import annotations

import pytest

from pipeline.errors import SettingsError
from pipeline.places import Place, in_words


@pytest.mark.parametrize(
    ("written", "at", "coordinates"),
    [
        ([1, 2, -3], (1, 2, -3), "part"),
        ("[1, 2, -3]", (1, 2, -3), "part"),
        ("scan: [1, 2, -3]", (1, 2, -3), "scan"),
        (" Scan:[ 1,2 , -3 ] ", (1, 2, -3), "scan"),
        ("mm: [1, 2, -3]", (1, 2, -3), "part"),
        ("in: [1, 2, -3]", (25.4, 50.8, -76.2), "part"),
        ("scan: [1, 2, \u22123]", (1, 2, -3), "scan"),  # the minus that a report prints
    ],
)
def test_what_a_point_is_written_as(written: object, at: tuple[float, ...], coordinates: str) -> None:
    place = Place.model_validate(written)
    assert place.at == pytest.approx(at, abs=1e-12)
    assert place.coordinates == coordinates
    assert Place.model_validate(place.model_dump(mode="json")) == place
    assert Place.model_validate(place.text) == place


@pytest.mark.parametrize("written", ["part: [1, 2, 3]", "[1, 2]", "scan: 1, 2, 3", "scan: [1, 2, inf]", [1, 2], "", 5])
def test_what_is_no_point(written: object) -> None:
    with pytest.raises(ValueError, match=r"place|valid"):
        Place.model_validate(written)


def test_a_point_in_part_coordinates_is_not_taken_for_the_scans() -> None:
    with pytest.raises(SettingsError, match="in part coordinates"):
        _ = Place(at=(1, 2, 3)).in_scan
    assert Place(at=(1, 2, 3), coordinates="scan").in_scan == (1, 2, 3)


def test_only_places_in_words_are_changed() -> None:
    seen = []
    text = "crossing of the bore nearest to in: [1, 0, 0] and seat [2]"
    assert in_words(text, lambda place: seen.append(place.at) or Place(at=(7, 8, 9), coordinates="scan")) == (
        "crossing of the bore nearest to scan: [7.0, 8.0, 9.0] and seat [2]"
    )
    assert seen == [(25.4, 0.0, 0.0)]
    assert in_words("point [0, 1, 2]", lambda place: place) == "point [0.0, 1.0, 2.0]"
