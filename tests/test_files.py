"""Text files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.files import write_whole


def test_what_stood_there_is_replaced_and_nothing_else_is_left(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("old")
    write_whole(tmp_path / "a.txt", "new é\n")
    assert (tmp_path / "a.txt").read_bytes() == "new é\n".encode()
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_place_that_can_not_be_written_keeps_what_it_has(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.txt").write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutputError, match=r"a\.txt can't be written \(No space left on device\); choose another --out"):
        write_whole(tmp_path / "a.txt", "new")
    assert (tmp_path / "a.txt").read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_the_sentence_says_what_to_do_instead(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="choose another place with --job"):
        write_whole(tmp_path / "none" / "a.txt", "new", "choose another place with --job")
