"""Numbers of gaps: by length, kept where a gap of the size is at the place."""

from __future__ import annotations

import numpy as np

from pipeline.features.naming import number_gaps
from pipeline.values import NameBook, NumberedGap


def gaps(*placed: tuple[float, float]) -> list[NumberedGap]:
    """Gaps on the x axis: place and length."""
    return [NumberedGap("", np.array([x, 0.0, 0.0]), length) for x, length in placed]


def test_the_longest_is_first_and_all_are_kept() -> None:
    ids, book = number_gaps(NameBook("a"), gaps((0, 20), (50, 60), (90, 40)), "a")
    assert ids == ["gap-3", "gap-1", "gap-2"]
    again, later = number_gaps(book, gaps((90.5, 39), (0.2, 21), (50, 58)), "a")
    assert again == ["gap-2", "gap-3", "gap-1"]
    assert sorted(g.id for g in later.gaps) == ["gap-1", "gap-2", "gap-3"]


def test_elsewhere_or_of_another_size_is_another_one() -> None:
    _, book = number_gaps(NameBook("a"), gaps((0, 20), (50, 60)), "a")
    ids, later = number_gaps(book, gaps((10, 20), (50, 20)), "a")
    assert sorted(ids) == ["gap-3", "gap-4"]
    assert [g.id for g in later.gaps][:2] == [g.id for g in book.gaps]


def test_two_that_lie_close_take_the_nearest() -> None:
    _, book = number_gaps(NameBook("a"), gaps((0, 60), (5, 60.1)), "a")
    assert number_gaps(book, gaps((4.6, 60), (0.4, 60)), "a")[0] == ["gap-1", "gap-2"]


def test_the_places_of_another_scan_are_not_used() -> None:
    _, book = number_gaps(NameBook("a"), gaps((0, 20)), "a")
    ids, later = number_gaps(book, gaps((0, 20)), "b")
    assert ids == ["gap-2"]
    assert later is book


def test_one_whose_place_is_not_known_keeps_its_number_from_others() -> None:
    book = NameBook("a", gaps=(NumberedGap("gap-7"),))
    ids, later = number_gaps(book, gaps((0, 20)), "a")
    assert ids == ["gap-8"]
    assert [g.id for g in later.gaps] == ["gap-7", "gap-8"]
