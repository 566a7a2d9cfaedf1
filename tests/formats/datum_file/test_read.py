"""Reading a datum file: what was written comes back, and whatever else is given is answered with one sentence.

Covers: pipeline.formats.datum_file.records.base, pipeline.formats.datum_file.records.file
"""

from __future__ import annotations

import copy
import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pipeline
from pipeline.errors import DatumliftError, InputError
from pipeline.formats.datum_file import build, plain_data, schema_text, text_of
from pipeline.job import Zone
from pipeline.values import Proposal
from tests.formats.datum_file.damages import DAMAGES
from tests.outcomes import outcome

MADE = build(outcome()).model_copy(update={"files": ("datums.json",)})
DATA = plain_data(MADE)


def file(folder: Path, text: str | bytes) -> Path:
    path = folder / "datums.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_what_was_written_comes_back(tmp_path: Path) -> None:
    back = pipeline.read_datums(file(tmp_path, text_of(MADE)))
    assert isinstance(back, pipeline.DatumFile)
    assert back == MADE
    assert text_of(back) == text_of(MADE)
    bore = back.features[6]
    assert (bore.id, bore.kind, bore.side, bore.radius) == ("cylinder-1", "cylinder", "bore", 20.0)
    assert back.name_of("cylinder-1") == "main bore"
    assert back.name_of("nothing") is None


def test_a_zone_comes_back_as_one(tmp_path: Path) -> None:
    zone = Zone(shape="cylinder", coordinates="scan", start=(0.0, 0.0, 1.5), end=(0.0, 0.0, 9.0), radius=4.25)
    proposal = Proposal("plug", outcome().gaps[0].centre, 50.0, "it looks so", zone)
    made = build(dataclasses.replace(outcome(), proposals=(proposal,)))
    text = json.loads(text_of(made))["proposals"][0]["zone"]
    assert text == (
        '[[clean.exclude]]\nshape = "cylinder"\nstart = "scan: [0.0, 0.0, 1.5]"\nend = "scan: [0.0, 0.0, 9.0]"\n'
        "radius = 4.25\n"
    )
    assert pipeline.read_datums(file(tmp_path, text_of(made))).proposals[0].zone == zone
    older = plain_data(made)  # from when all places were in scan coordinates
    older["proposals"][0]["zone"] = text.replace('"scan: ', "").replace(']"', "]")
    assert pipeline.read_datums(file(tmp_path, json.dumps(older))).proposals[0].zone == zone
    broken = plain_data(made)
    broken["proposals"][0]["zone"] = "shape = box"
    with pytest.raises(InputError, match=r"proposals\[0\]\.zone"):
        pipeline.read_datums(file(tmp_path, json.dumps(broken)))


def test_it_is_frozen() -> None:
    with pytest.raises(ValueError, match="frozen"):
        MADE.features[0].radius = 1.0  # type: ignore[misc]


def test_keys_of_later_versions_are_passed_over(tmp_path: Path) -> None:
    later = DATA | {"schema_version": "1.7", "mood": 1, "source": DATA["source"] | {"operator": "R. M."}}
    assert pipeline.read_datums(file(tmp_path, json.dumps(later))).source == MADE.source


def sentence(path: Path) -> str:
    with pytest.raises(DatumliftError) as caught:
        pipeline.read_datums(path)
    told = str(caught.value)
    assert str(path) in told
    assert "\n" not in told
    assert "pydantic" not in told
    return told


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is not JSON"),
        ("{", "is not JSON"),
        (text_of(MADE)[:-30], "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ("9" * 10_000, "is not JSON"),
        (b"\xff\xfe\x00", "is not UTF-8"),
        ("[]", "states no schema_version"),
        ("3", "states no schema_version"),
        ('{"schema_version": 1}', "states no schema_version"),
        ('{"schema_version": "2.0"}', "schema_version '2.0'"),
        ('{"schema_version": "1.0"}', "units is missing"),
        (json.dumps(DATA | {"schema_version": "1.x"}), "schema_version is wrong"),
        (json.dumps(DATA | {"cautions": [float("nan")]}), "cautions[0] is wrong"),
    ],
)
def test_what_is_no_datum_file_is_one_sentence(tmp_path: Path, text: str | bytes, says: str) -> None:
    assert says in sentence(file(tmp_path, text))


def test_a_figure_that_is_no_number_is_refused(tmp_path: Path) -> None:
    text = text_of(MADE).replace('"radius": 20.0', '"radius": NaN', 1)
    assert "features[6].radius is wrong" in sentence(file(tmp_path, text))


@pytest.mark.parametrize(
    ("row", "column", "value"), [(1, 0, 1e30), (0, 0, 0.9), (2, 2, -1.0), (3, 3, 0.0), (3, 0, 1e-9), (0, 1, 1e-4)]
)
def test_a_frame_that_does_more_than_turn_and_shift_is_refused(
    tmp_path: Path, row: int, column: int, value: float
) -> None:
    """All lengths and radii of the file hold in the scan and in the part: its frame stretches and mirrors nothing."""
    rows = np.eye(4).tolist()
    rows[row][column] = value
    text = json.dumps(DATA | {"frame": DATA["frame"] | {"matrix": rows}})
    assert "frame.matrix is wrong, a matrix turns and shifts" in sentence(file(tmp_path, text))


@pytest.mark.parametrize("direction", [[0.0, 0.0, 0.0], [0.0, 0.0, 0.999], [1.0, 1.0, 0.0]])
def test_a_direction_that_has_another_length_than_one_is_refused(tmp_path: Path, direction: list[float]) -> None:
    first, *others = DATA["features"]
    text = json.dumps(DATA | {"features": [first | {"direction": direction}, *others]})
    assert "features[0].direction is wrong, a direction has the length 1" in sentence(file(tmp_path, text))


def test_a_place_that_can_not_be_read_is_one_sentence(tmp_path: Path) -> None:
    assert "There is no datum file" in sentence(tmp_path / "none.json")
    assert "can't be read" in sentence(tmp_path)


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
def test_what_the_schema_refuses_is_refused_with_its_place(
    tmp_path: Path, damage: Callable[[dict[str, Any]], None]
) -> None:
    broken = copy.deepcopy(DATA)
    damage(broken)
    told = sentence(file(tmp_path, json.dumps(broken)))
    key = damage.__name__.removeprefix("without ").split(" = ")[0].split(".")[0]
    assert key in told


@settings(max_examples=100, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(sorted(DATA)), inner, max_size=4),
        max_leaves=12,
    )
)
def test_anything_else_never_ends_in_another_error(tmp_path_factory: pytest.TempPathFactory, value: Any) -> None:
    mixed = DATA | value if isinstance(value, dict) else value
    path = file(tmp_path_factory.getbasetemp(), json.dumps(mixed))
    try:
        pipeline.read_datums(path)
    except DatumliftError:
        sentence(path)
    else:  # such as another title, or no caliper: then the published schema takes it as well
        jsonschema.validate(mixed, json.loads(schema_text()))
