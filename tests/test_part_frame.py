"""Which part frame the places of a job are read in, and that they don't move with it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.job import Job, make_job
from pipeline.part_frame import Frame, LastRun, Placed, placed
from tests.features.made import pose

OUT = Path("made")
AT = (-18.0, 0.5, -98.25)


def frame(seed: int) -> Frame:
    return tuple(map(tuple, pose(seed).tolist()))  # type: ignore[return-value]


FIRST = LastRun(frame(1), "ab", 1.0, ())


def job(**settings: Any) -> Job:
    return make_job({"scan": "a.stl", **settings})


def size(*at: float, diameter: float = 62.0) -> dict[str, Any]:
    return {"what": "diameter", "features": [list(at)], "value": diameter, "uncertainty": 0.01}


def read(made: Job, last: LastRun | None, name: str = "a.toml", sha256: str = "ab", factor: float = 1.0) -> Placed:
    return placed(made, name, OUT, last, sha256, factor)


def then(last: LastRun, done: Placed, seed: int) -> LastRun:
    """The run is over and has left another frame."""
    return replace(last, frame=frame(seed), places=(*done.places, *done.others))


def in_scan(seed: int, at: tuple[float, ...]) -> np.ndarray:
    return (np.linalg.inv(pose(seed)) @ [*at, 1.0])[:3]


def near(done: Placed, number: int = 0) -> tuple[float, ...]:
    place = done.job.measured[number].features[0]
    assert place is not None
    return place.in_scan


def test_places_are_those_of_the_last_run() -> None:
    done = read(job(measured=[size(*AT)], frame={"A": f"bore nearest {list(AT)}"}), FIRST)
    assert near(done) == pytest.approx(in_scan(1, AT), abs=1e-9)
    words = done.job.frame.A
    assert words is not None
    assert words.startswith("bore nearest scan: [")
    assert [p.setting for p in done.places] == ["measured 1", "frame.A"]
    assert done.places[1].in_scan == pytest.approx(in_scan(1, AT), abs=1e-9)


def test_a_place_does_not_move_with_the_frame_that_its_job_moves() -> None:
    """The trap: A is chosen by a place, so the next run's frame is another one, and the same numbers mean another
    feature there."""
    made = job(measured=[size(*AT)], frame={"A": f"bore nearest {list(AT)}"})
    first = read(made, FIRST)
    second = read(made, then(FIRST, first, 2))
    third = read(made, then(then(FIRST, first, 2), second, 3))
    assert first.job == second.job == third.job
    assert first.places == second.places == third.places


def test_another_entry_before_it_and_another_measured_size_change_nothing() -> None:
    first = read(job(measured=[size(*AT)]), FIRST)
    after = then(FIRST, first, 2)
    done = read(job(measured=[size(1, 2, 3), size(*AT, diameter=61.0)]), after)
    assert near(done, 1) == near(first)
    assert near(done, 0) == pytest.approx(in_scan(2, (1, 2, 3)), abs=1e-9)


def test_a_changed_place_is_read_in_the_new_frame() -> None:
    first = read(job(measured=[size(*AT)]), FIRST)
    changed = (AT[0] + 0.5, *AT[1:])
    after = then(FIRST, first, 2)
    assert near(read(job(measured=[size(*changed)]), after)) == pytest.approx(in_scan(2, changed), abs=1e-9)
    retyped = (AT[0] + 0.003, *AT[1:])  # the same once more, from a table with more decimals: of which run?
    with pytest.raises(SettingsError, match="may be meant in"):
        read(job(measured=[size(*retyped)]), after)


def test_a_point_that_a_turn_leaves_where_it_is_means_one_thing() -> None:
    """The frame turns about the point: for a feature there that is nothing, for a zone all."""
    turned = tuple(map(tuple, (np.diag([-1.0, -1.0, 1.0, 1.0]) @ pose(1)).tolist()))
    first = read(job(measured=[size(0, 0, 7)]), FIRST)
    after = replace(then(FIRST, first, 1), frame=turned)
    twice = read(job(measured=[size(0, 0, 7), size(0, 0, 7)]), after)
    assert near(twice, 1) == pytest.approx(near(first), abs=1e-9)
    half = {"exclude": [{"shape": "half-space", "point": [0, 0, 7], "direction": [1, 0, 0]}]}
    with pytest.raises(SettingsError, match="may be meant in"):
        read(job(measured=[size(0, 0, 7)], clean=half), after)


def test_a_run_without_the_job_in_between_forgets_nothing() -> None:
    made = job(measured=[size(*AT)])
    first = read(made, FIRST)
    bare = read(job(), then(FIRST, first, 2), name="")
    assert bare.others == first.places
    again = read(made, then(FIRST, bare, 3))
    assert again.job == first.job


def test_numbers_that_could_be_of_two_frames_are_refused() -> None:
    first = read(job(measured=[size(*AT)]), FIRST)
    after = then(FIRST, first, 2)
    twice = job(measured=[size(*AT), size(*AT, diameter=10.0)])
    with pytest.raises(SettingsError, match=r"measured 1: \[-18.0, 0.5, -98.25\] may be meant in") as caught:
        read(twice, after)
    for seed in (1, 2):  # both readings are given, ready to paste
        text = str([round(float(v), 3) for v in in_scan(seed, AT)])
        assert f'"scan: {text}"' in str(caught.value)
    with pytest.raises(SettingsError, match=r"measured 1 of a\.toml"):
        read(job(measured=[size(*AT)]), after, name="b.toml")
    # While the frame stays there is nothing to tell apart.
    assert near(read(twice, then(FIRST, first, 1)), 1) == pytest.approx(near(first), abs=1e-9)


@pytest.mark.parametrize("way", list(np.vstack([np.eye(3), -np.eye(3), np.ones((1, 3)), -np.ones((1, 3))])))
def test_a_frame_that_moved_either_way_is_another_one(way: np.ndarray) -> None:
    first = read(job(measured=[size(*AT)]), FIRST)
    moved = pose(1)
    moved[:3, 3] -= moved[:3, :3] @ (0.5 * way)  # places then lie 0.5 mm that way in the scan
    after = replace(then(FIRST, first, 1), frame=tuple(map(tuple, moved.tolist())))
    with pytest.raises(SettingsError, match="may be meant in"):
        read(job(measured=[size(*AT), size(*AT, diameter=10.0)]), after)


def test_scan_coordinates_need_no_run() -> None:
    made = job(
        measured=[{"what": "diameter", "features": f"scan: {list(AT)}", "value": 5.0, "uncertainty": 0.01}],
        frame={"A": f"bore nearest scan: {list(AT)}"},
        clean={"exclude": [{"shape": "sphere", "centre": f"scan: {list(AT)}", "radius": 5}]},
    )
    done = read(made, None)
    assert done.job == made
    assert near(done) == AT


@pytest.mark.parametrize(
    ("last", "sha256", "factor", "why"),
    [
        (None, "ab", 1.0, "has no finished run"),
        (FIRST, "cd", 1.0, "of another scan"),
        (FIRST, "ab", 25.4, "of another scan or unit"),
        (replace(FIRST, places=None), "ab", 1.0, "took places in scan coordinates"),
    ],
)
@pytest.mark.parametrize(
    "settings",
    [
        {"measured": [size(*AT)]},
        {"frame": {"A": "plane-1", "B": f"face nearest {list(AT)}"}},
        {"frame": {"A": f"point {list(AT)}"}},
        {"clean": {"exclude": [{"shape": "sphere", "centre": list(AT), "radius": 5}]}},
    ],
)
def test_what_can_not_be_known_is_one_sentence(
    settings: dict[str, Any], last: LastRun | None, sha256: str, factor: float, why: str
) -> None:
    with pytest.raises(SettingsError, match=why) as caught:
        read(job(**settings), last, sha256=sha256, factor=factor)
    assert "run once without it" in str(caught.value)
    assert f'"scan: {list(AT)}"' in str(caught.value)
    assert "\n" not in str(caught.value)


def test_frames_of_another_scan_are_not_kept() -> None:
    first = read(job(measured=[size(*AT)]), FIRST)
    assert read(job(), then(FIRST, first, 2), name="b.toml", sha256="cd").others == ()


def test_a_zone_keeps_its_frame() -> None:
    zones = {"exclude": [{"shape": "box", "low": [0, 0, 0], "high": [5, 6, 7]}]}
    first = read(job(clean=zones), FIRST)
    assert first.job.clean.exclude[0].part_frame == FIRST.frame
    assert len(first.places) == 2
    again = read(job(clean=zones), then(FIRST, first, 2))
    assert again.job == first.job
    moved = {"exclude": [{"shape": "box", "low": [0, 0, 1], "high": [5, 6, 7]}]}
    with pytest.raises(SettingsError, match="some points of this zone"):
        read(job(clean=moved), then(FIRST, first, 2))
    assert read(job(clean=moved), then(FIRST, first, 1)).job.clean.exclude[0].part_frame == FIRST.frame
    kept = {"exclude": [{**zones["exclude"][0], "part_frame": frame(5)}]}
    assert read(job(clean=kept), None).job.clean.exclude[0].part_frame == frame(5)
    inside = {"exclude": [{"shape": "inside", "feature": "bore-1", "beyond": 1.0}]}
    assert read(job(clean=inside), None).places == ()


def test_inches_are_said() -> None:
    """Outputs in inches and a job in millimetres: a bare place could be either."""
    inches = {"units": "in"}
    for settings in (
        {"measured": [{**size(*AT), "value": "2.5 in", "uncertainty": "0.01 mm"}]},
        {"frame": {"A": f"bore nearest {list(AT)}"}},
        {"clean": {"exclude": [{"shape": "sphere", "centre": list(AT), "radius": 5}]}},
    ):
        with pytest.raises(SettingsError, match=r'"in: \[-18.0, 0.5, -98.25\]" for a place copied'):
            read(job(export=inches, **settings), FIRST)
    said = job(
        export=inches,
        measured=[{"what": "diameter", "features": "in: [1, 2, 3]", "value": "5 mm", "uncertainty": "0.01 mm"}],
        frame={"A": "bore nearest mm: [1, 2, 3]"},
        clean={"exclude": [{"shape": "sphere", "centre": "in: [1, 2, 3]", "radius": 5}]},
    )
    done = read(said, FIRST)
    assert near(done) == pytest.approx(in_scan(1, (25.4, 50.8, 76.2)), abs=1e-9)
    assert {p.setting: p.at for p in done.places}["frame.A"] == (1.0, 2.0, 3.0)
    assert done.job.clean.exclude[0].centre == pytest.approx((25.4, 50.8, 76.2))


def test_the_job_as_run_needs_no_frame() -> None:
    import tomllib

    from pipeline.job import dump_job

    made = job(
        measured=[size(*AT)],
        frame={"A": f"bore nearest {list(AT)}"},
        clean={"exclude": [{"shape": "half-space", "point": [0, 0, 1], "direction": [0, 0, 1]}]},
    )
    done = read(made, FIRST)
    again = make_job(tomllib.loads(dump_job(done.job)))
    assert read(again, None).job == done.job
