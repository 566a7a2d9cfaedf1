"""New text files are written whole or not at all, and never in another's place."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.files import write_new


def test_a_new_file_is_written_and_nothing_else_left(tmp_path: Path) -> None:
    write_new(tmp_path / "a.txt", "new é\n", "")
    assert (tmp_path / "a.txt").read_bytes() == "new é\n".encode()
    assert os.listdir(tmp_path) == ["a.txt"]


def test_what_is_there_is_left_alone_also_a_link_to_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to("nowhere.txt")
    for name in ("a.txt", "link.txt"):
        with pytest.raises(OutputError, match="is there already and was left alone; another name"):
            write_new(tmp_path / name, "new", "another name")
    assert (tmp_path / "a.txt").read_text() == "old"
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "link.txt"]


def test_a_full_disk_leaves_no_half(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, before[1]))
    try:
        with pytest.raises(OutputError, match=r"can't be written \(File too large\); another place"):
            write_new(tmp_path / "a.txt", "longer than ten bytes", "another place")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert os.listdir(tmp_path) == []
