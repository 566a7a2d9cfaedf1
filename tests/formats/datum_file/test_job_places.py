"""Points of the job in the datum file, and read back from it by the next run; the place of a budget's worst.

Covers: pipeline.formats.datum_file.records.audits
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.datum_file import build, comparison_record, last_run, text_of
from pipeline.formats.tables import summary_md
from pipeline.lengths import in_unit
from pipeline.part_frame import ReadPlace
from pipeline.values import BudgetLine, Outcome, Taken
from tests.outcomes import POSE, outcome

MATRIX = tuple(map(tuple, POSE.tolist()))
OTHER = ((1.0, 0.0, 0.0, 5.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))


def with_places(*places: ReadPlace, kept: tuple[ReadPlace, ...] = (), away: float = 0.25) -> Outcome:
    made = outcome()
    taken = tuple(Taken(p.setting, np.array(p.in_scan), "cylinder-1", away) for p in places)
    return dataclasses.replace(
        made, recover=dataclasses.replace(made.recover, taken=taken), places=places, kept_places=kept
    )


def test_the_chosen_feature_and_its_distance_stand_in_the_file_and_the_summary() -> None:
    place = ReadPlace("a.toml", "measured 1", (20.25, 0.0, 15.0), MATRIX)  # beside the wall of the bore D40
    made = build(with_places(place))
    (record,) = made.places or ()
    assert (record.setting, record.feature, record.distance) == ("measured 1", "cylinder-1", 0.25)
    assert record.in_part_frame.point == pytest.approx((20.25, 0.0, 15.0), abs=1e-9)
    assert record.point == pytest.approx(tuple((np.linalg.inv(POSE) @ [20.25, 0, 15, 1])[:3]), abs=1e-9)
    assert "- measured 1: [20.250, 0.000, 15.000], cylinder-1 at 0.250 mm from it" in summary_md(made, ())
    assert "[0.7972, 0.0000, 0.5906], cylinder-1 at 0.0098 in from it" in summary_md(made, (), "in")
    assert not [text for text in made.cautions if "measured 1" in text]


def test_what_lies_off_its_place_and_what_was_read_in_another_frame_is_a_caution() -> None:
    far = build(with_places(ReadPlace("", "measured 1", (23.5, 0.0, 15.0), MATRIX), away=3.5))
    assert "measured 1: cylinder-1 was taken, though it lies 3.5 mm from the place." in [
        in_unit(text, "mm") for text in far.cautions
    ]
    places = (ReadPlace("", "measured 1", (1.0, 2.0, 3.0), OTHER), ReadPlace("", "frame.A", (1.0, 2.0, 3.0), OTHER))
    moved = build(with_places(*places))
    now = POSE @ [-4.0, 2.0, 3.0, 1.0]
    (told,) = [text for text in moved.cautions if "goes on being read" in text]
    assert told.startswith("measured 1, frame.A: [1.0, 2.0, 3.0] ")
    assert f"[{now[0]:.3f}, {now[1]:.3f}, {now[2]:.3f}]" in told


def test_the_next_run_reads_them_back(tmp_path: Path) -> None:
    mine = (
        ReadPlace("a.toml", "measured 1", (1.0, 2.0, 3.0), OTHER),
        ReadPlace("a.toml", "frame.A", (4.0, 5.0, 6.0), None),
    )
    kept = (ReadPlace("b.toml", "clean.exclude 1", (7.0, 8.0, 9.0), MATRIX),)
    (tmp_path / "datums.json").write_text(text_of(build(with_places(*mine, kept=kept))))
    last = last_run(tmp_path)
    assert last is not None
    assert last.places == (*mine, *kept)
    assert np.array_equal(last.frame, POSE)
    assert (last.sha256, last.unit_factor) == ("ab" * 32, 1.0)


def test_a_file_of_an_older_version_and_none_at_all(tmp_path: Path) -> None:
    assert last_run(tmp_path) is None
    made = build(outcome())
    (tmp_path / "datums.json").write_text(text_of(made).replace('"places": [],', ""))
    older = last_run(tmp_path)
    assert older is not None
    assert older.places is None
    (tmp_path / "datums.json").write_text("{")
    assert last_run(tmp_path) is None


def test_the_worst_place_is_told_in_part_coordinates() -> None:
    made = outcome()
    audit = made.audit.audit
    place = (np.linalg.inv(POSE) @ [12.5, -3.0, 30.0, 1.0])[:3]
    lines = (dataclasses.replace(audit.budget[0], place=place), BudgetLine("tilt", 0.1, 0.01, "rad", True, "plane-1"))
    made = dataclasses.replace(
        made, audit=dataclasses.replace(made.audit, audit=dataclasses.replace(audit, budget=lines))
    )
    first, second = build(made).audit.budget
    assert first.where == first.where_in("mm") == "at [12.50, -3.00, 30.00]"
    assert first.where_in("in") == "at [0.492, -0.118, 1.181]"
    assert second.where_in("in") == second.where == "plane-1"
    assert comparison_record(made.audit.audit).budget[0].where == (f"at scan: [{', '.join(f'{v:.2f}' for v in place)}]")
