"""names.json there and back, and what is refused.

Covers: pipeline.values.names
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.formats.names_file import names_text, read_names
from pipeline.values import NameBook, NumberedFeature, NumberedGap
from tests.features.made import block, feature, numbered

FEATURES = numbered([*block(), feature("T1", "cone", (0, 0, 9), (0, 0, 1), 7.0, "bore", length=4.0, half_angle=0.5)])
BOOK = NameBook("ab", (*FEATURES, NumberedFeature("H9", "cylinder", "bore")), (NumberedGap("gap-1", np.ones(3), 9.0),))


def written(folder: Path, text: str) -> Path:
    path = folder / "names.json"
    path.write_text(text, encoding="utf-8")
    return path


def test_there_and_back(tmp_path: Path) -> None:
    back = read_names(written(tmp_path, names_text(BOOK)))
    assert (back.scan, [f.id for f in back.features]) == ("ab", [f.id for f in BOOK.features])
    for one, other in zip(back.features, BOOK.features, strict=True):
        assert (one.kind, one.side, one.sure, one.placed) == (other.kind, other.side, other.sure, other.placed)
        for name in ("point", "direction", "radius", "half_angle", "seen"):
            mine, its = getattr(one, name), getattr(other, name)
            assert (mine is None) == (its is None)
            assert mine is None or np.allclose(mine, its, atol=1e-6)
    assert names_text(back) == names_text(BOOK)


def test_it_is_json_with_degrees() -> None:
    told = json.loads(names_text(BOOK))
    assert told["features"][11]["half_angle"] == pytest.approx(np.degrees(0.5), abs=1e-6)
    assert told["features"][-1] == {"id": "H9", "kind": "cylinder", "side": "bore", "sure": False}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is not one"),
        ("[]", "is not one"),
        ('{"schema_version": "2.0"}', "schema_version"),
        ('{"schema_version": "1.0", "features": [{"kind": "plane"}]}', "features.0.id"),
        ('{"schema_version": "1.0", "features": [{"id": "F1", "kind": "plane", "seen": []}]}', "features.0.seen"),
        ('{"schema_version": "1.0", "features": [{"id": "F1", "kind": "a"}, {"id": "F1", "kind": "b"}]}', "F1 twice"),
        ('{"schema_version": "1.0", "features": [{"id": "F1", "kind": "a"}, {"id": "f1", "kind": "b"}]}', "f1 twice"),
        ('{"schema_version": "1.0", "features": [{"id": "../../F1", "kind": "a"}]}', "features.0.id"),
        ('{"schema_version": "1.0", "gaps": [{"id": "<script>"}]}', "gaps.0.id"),
    ],
)
def test_what_is_no_file_of_names_is_refused_in_a_sentence(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as error:
        read_names(written(tmp_path, text))
    assert "take it away" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_folder_or_what_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "names.json").mkdir()
    with pytest.raises(InputError, match="can't be read"):
        read_names(tmp_path / "names.json")
    path = tmp_path / "other.json"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not UTF-8"):
        read_names(path)
