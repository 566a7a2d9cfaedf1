"""Numbers carried over by where features lie to each other: made parts, so that the truth is known.

Covers: pipeline.features.joining.pose_search
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.joining.pose_search import Scene, poses
from pipeline.features.naming import carried_over
from pipeline.features.naming.carrying import Numbering
from pipeline.values import Feature, NameBook, NumberedFeature
from tests.features.made import block, bore, feature, numbered, plane, pose, posed, spots

UP = (0.0, 0.0, 1.0)


def first(features: list[Feature]) -> Numbering:
    return carried_over(NameBook(), features, spots(features), "first")


def again(before: Numbering, features: list[Feature], seed: int | None = 5, scan: str = "second") -> Numbering:
    """The same part, or what is said to be it, scanned again in another pose."""
    there = features if seed is None else posed(features, pose(seed))
    return carried_over(before.book, there, spots(there), scan)


def shaken(features: list[Feature], seed: int) -> list[Feature]:
    """As another scan would find them: points off by 10 um, directions by 0.2 mrad, radii by 5 um, in another order."""
    rng = np.random.default_rng(seed)
    out = []
    for f in features:
        way = None if f.direction is None else f.direction + rng.normal(0.0, 2e-4, 3)
        out.append(
            replace(
                f,
                point=f.point + rng.normal(0.0, 0.01, 3),
                direction=None if way is None else way / np.linalg.norm(way),
                radius=None if f.radius is None else f.radius + rng.normal(0.0, 0.005),
            )
        )
    return out


def flange(count: int, extra: bool = False) -> list[Feature]:
    """Alike from both sides and in `count` turns, unless there is one more hole."""
    turns = 2.0 * np.pi * np.arange(count) / count
    return [
        plane("", (0, 0, 10), UP, 9000),
        plane("", (0, 0, -10), (0, 0, -1), 9000),
        bore("", (0, 0, 0), UP, 25.0, 20.0),
        feature("", "cylinder", (0, 0, 0), UP, 60.0, "boss", 7000, 20.0),
        *(bore("", (45 * np.cos(t), 45 * np.sin(t), 0), UP, 4.5, 20.0) for t in turns),
        *([bore("", (30, 10, 5), UP, 3.0, 10.0)] if extra else []),
    ]


def bush() -> list[Feature]:
    """A turned part: no turn about its axis can be told from another."""
    return [
        plane("", (0, 0, 0), UP, 3000),
        plane("", (0, 0, -50), (0, 0, -1), 5000),
        bore("", (0, 0, -10), UP, 20.0, 20.0),
        bore("", (0, 0, -35), UP, 15.0, 30.0),
        feature("", "cylinder", (0, 0, -25), UP, 40.0, "boss", 7000, 50.0),
    ]


@pytest.mark.parametrize("seed", range(4))
def test_another_pose_and_other_noise_change_no_number(seed: int) -> None:
    before = first(block())
    found = again(before, shaken(block(), seed), seed)
    assert found.ids == before.ids
    assert found.cautions == ()
    assert [f.id for f in found.book.features] == [f.id for f in before.book.features]


def test_one_that_is_missing_keeps_its_number_and_a_new_one_gets_its_own() -> None:
    before = first(block())
    gone, other = block()[6], bore("", (-40, 20, -15), UP, 6.0, 30.0)
    found = again(before, [f for f in block() if f is not gone and f.id != gone.id] + [other])
    lost = before.ids[6]
    assert lost not in found.ids
    assert found.ids[:-1] == tuple(i for i in before.ids if i != lost)
    assert found.ids[-1] == "H6"  # H1 to H5 were given
    assert found.cautions == (f"Not found again in this scan: {lost}; their numbers are kept for them.",)
    assert again(found, block(), 9, "third").ids == before.ids  # which is found again, where the scans before had it
    assert "H6" in {f.id for f in again(found, block(), 9, "third").book.features}


def test_a_circle_of_holes_is_told_by_what_breaks_its_symmetry() -> None:
    before = first(flange(6, extra=True))
    found = again(before, flange(6, extra=True))
    assert found.ids == before.ids


@pytest.mark.parametrize("count", [4, 6, 8])
def test_what_can_not_be_told_apart_has_new_numbers_and_that_is_told(count: int) -> None:
    before = first(flange(count))
    found = again(before, flange(count))
    assert found.ids[2:4] == before.ids[2:4]  # the bore and the rim are themselves in every pose
    assert not {*found.ids[:2], *found.ids[4:]} & set(before.ids)
    (told,) = found.cautions
    assert f"lie the same in {2 * count} poses" in told
    later = again(found, flange(count), 8, "third")
    assert not set(later.ids[4:]) & {*before.ids, *found.ids}


def test_a_hole_that_each_scan_lacks_is_no_mark() -> None:
    """The circle lies best where one lack lies on the other, and there each hole would have another's number."""
    holes = [k for k in range(len(flange(6))) if k > 3]
    before = first([f for k, f in enumerate(flange(6)) if k != holes[1]])
    found = again(before, [f for k, f in enumerate(flange(6)) if k != holes[4]])
    assert not set(found.ids[4:]) & set(before.ids)


def test_a_turned_part_keeps_its_numbers() -> None:
    before = first(bush())
    assert again(before, bush()).ids == before.ids


def test_the_mirror_image_is_another_part() -> None:
    before = first(block())
    flip = np.diag([1.0, -1.0, 1.0])
    other = [
        replace(f, point=flip @ f.point, direction=None if f.direction is None else flip @ f.direction) for f in block()
    ]
    found = again(before, other)
    assert not set(found.ids) & set(before.ids)
    assert "mirror image" in found.cautions[0]
    assert found.book is before.book


def test_another_part_takes_no_number_and_leaves_the_book_alone() -> None:
    before = first(block())
    found = again(before, bush())
    assert not set(found.ids) & set(before.ids)
    assert "No place was found" in found.cautions[0]
    assert found.book is before.book
    assert again(found, block(), 2, "third").ids == before.ids


def test_a_plate_of_many_like_holes() -> None:
    """Each shift by a step of the grid lays most holes on others; all of them lie right in one pose only."""
    grid = [bore("", (20.0 * x, 20.0 * y, -10), UP, 4.5, 20.0) for x in range(7) for y in range(6)]
    part = [plane("", (60, 50, 0), UP, 24000), plane("", (60, 50, -20), (0, 0, -1), 24000), *grid]
    part += [plane("", (-20, 50, -10), (-1, 0, 0), 3000), bore("", (30, 10, -10), UP, 4.5, 20.0)]
    before = first(part)
    assert again(before, part).ids == before.ids


def test_the_same_scan_needs_no_search() -> None:
    """Fewer or other features of the very scan, as other settings find them, also where its pose could not be found."""
    before = first(flange(6))
    found = again(before, flange(6)[2:], None, "first")
    assert found.ids == before.ids[2:]
    assert again(before, flange(6), None, "first").book.features[3].id == before.book.features[3].id


def test_two_of_one_size_on_one_axis_are_told_by_where_they_were_seen() -> None:
    part = [*block(), bore("", (0, 0, -80), UP, 25.0, 20.0)]
    before = first(part)
    assert again(before, part).ids == before.ids
    assert again(before, part[:5] + part[6:]).ids == before.ids[:5] + before.ids[6:]


def test_what_is_unknown_here_is_kept() -> None:
    odd = NumberedFeature("Q1", "helicoid", "bore", True, seen=np.zeros((3, 3)), point=np.zeros(3))
    before = first(block())
    book = replace(before.book, features=(*before.book.features, odd))
    found = carried_over(book, block(), spots(block()), "first")
    assert found.ids == before.ids
    assert [f.id for f in found.book.features][-1] == "Q1"


def test_nothing_is_the_start_of_nothing() -> None:
    assert carried_over(NameBook(), [], [], "a").ids == ()
    assert again(first(block()), []).ids == ()
    assert poses(Scene(()), Scene(numbered(block()))) == []
