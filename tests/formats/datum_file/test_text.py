"""The text of the datum file: all of the data, the same bytes every time, no more figures than are known."""

from __future__ import annotations

import json
import re

from pipeline.formats.datum_file import DatumFile, build, plain_data, text_of
from pipeline.formats.datum_file.records.features import PatternRecord, RelationRecord
from tests.outcomes import outcome


def data() -> DatumFile:
    return build(outcome())


def test_the_text_is_the_data() -> None:
    made = data().model_copy(update={"title": "a [ 1,\n 2 ] b é"})
    assert json.loads(text_of(made)) == plain_data(made)
    assert text_of(made) == text_of(made.model_copy())


def test_vectors_stand_on_one_line() -> None:
    text = text_of(data())
    assert re.search(r'^ *"point": \[-?[\d.e-]+, -?[\d.e-]+, -?[\d.e-]+\],$', text, re.MULTILINE)
    assert not re.search(r"\[\n\s*-?\d", text)


def test_uncertainties_have_nine_figures_and_other_figures_all_of_theirs() -> None:
    third = 1.0 / 3.0
    record = RelationRecord(kind="distance", between=("a", "b"), value=third, uncertainty=third, unit="mm")
    assert json.loads(text_of(record))["value"] == third
    assert json.loads(text_of(record))["uncertainty"] == 0.333333333


def test_a_pitch_circle_has_all_of_its_keys_and_others_those_that_apply() -> None:
    nothing = dict.fromkeys(("centre", "normal", "diameter", "count", "missing", "phase", "rms", "size", "note"))
    circle = PatternRecord(kind="pitch_circle", members=("a",), **nothing)
    assert plain_data(circle) == {"kind": "pitch_circle", "members": ["a"], **nothing}
    plane = PatternRecord(kind="mid_plane", members=("a",), **nothing | {"rms": 0.1})
    assert plain_data(plane) == {"kind": "mid_plane", "members": ["a"], "rms": 0.1}


def test_keys_that_are_not_known_yet_are_left_out() -> None:
    made = data()
    assert "files" not in plain_data(made)
    assert plain_data(made.model_copy(update={"files": ("a", "b")}))["files"] == ["a", "b"]
    assert "orientation" not in plain_data(made)["features"][0]
