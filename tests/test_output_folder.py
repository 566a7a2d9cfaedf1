"""Nothing of the user's is lost in an output folder, whatever state it is in."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from pipeline.errors import OutputError, SettingsError
from pipeline.output_folder import MARKER, OutputFolder, opened


def put(out: Path, inputs: tuple[Path, ...] = (), **texts: str) -> OutputFolder:
    with opened(out, inputs) as folder:
        for name, text in texts.items():
            folder.put_text(name.replace("__", "/"), text)
    return folder


def content(folder: Path) -> dict[str, str]:
    files = [p for p in folder.rglob("*") if p.is_file() and p.name != MARKER]
    return {p.relative_to(folder).as_posix(): p.read_text() for p in files}


def test_what_was_written_is_replaced_and_taken_away_again(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    put(out, a="1", b="1", work__c="1")
    with opened(out) as folder:
        folder.put_text("a", "2")
        folder.drop(["b"])
        assert folder.written == ("a",)
    assert content(out) == {"a": "2", "work/c": "1"}
    assert folder.told == ()


def test_what_was_changed_since_is_kept(tmp_path: Path) -> None:
    put(tmp_path, a="1", b="1", work__c="1")
    for name in ("a", "b", "work/c"):
        (tmp_path / name).write_text("mine")
    with opened(tmp_path) as folder:
        folder.put_text("a", "2")
        folder.put_text("work/c", "2")
        folder.drop(["b"])
    assert content(tmp_path) == {"a": "2", "b": "mine", "work/c": "2", "kept-1/a": "mine", "kept-1/work/c": "mine"}
    assert "a, work/c" in folder.told[0]
    (tmp_path / "a").write_text("mine as well")
    assert "kept-2" in put(tmp_path, a="3").told[0]
    assert content(tmp_path)["kept-2/a"] == "mine as well"
    assert content(tmp_path)["kept-1/a"] == "mine"


def test_the_same_content_is_nothing_to_tell(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("1")
    before = (tmp_path / "a").stat()
    assert put(tmp_path, a="1").told == ()
    assert (tmp_path / "a").stat().st_ino == before.st_ino


def test_a_marker_that_was_changed_or_is_the_users_own_counts_for_nothing(tmp_path: Path) -> None:
    put(tmp_path, a="1")
    told = json.loads((tmp_path / MARKER).read_text())
    (tmp_path / "diary.txt").write_text("dear diary")
    told["files"]["diary.txt"] = told["files"]["a"]
    (tmp_path / MARKER).write_text(json.dumps(told))
    with opened(tmp_path) as folder:
        assert folder.written == ()
        folder.drop(["diary.txt", "a"])
        folder.put_text("a", "2")
    assert content(tmp_path) == {"diary.txt": "dear diary", "a": "2", "kept-1/a": "1"}
    assert json.loads((tmp_path / "kept-1" / MARKER).read_text()) == told


def test_even_a_sealed_marker_has_no_say_over_what_it_does_not_know(tmp_path: Path) -> None:
    put(tmp_path, a="1", diary="a guess")
    (tmp_path / "diary").write_text("dear diary")
    with opened(tmp_path) as folder:
        folder.drop(["diary"])
    assert content(tmp_path)["diary"] == "dear diary"


@pytest.mark.parametrize("link", ["symbolic", "hard"])
def test_an_input_is_never_written_over_by_whatever_name(tmp_path: Path, link: str) -> None:
    put(tmp_path / "out", light="1")
    scan = tmp_path / "scan"
    if link == "hard":
        os.link(tmp_path / "out" / "light", scan)
    else:
        scan.symlink_to(tmp_path / "out" / "light")
    with opened(tmp_path / "out", (scan,)) as folder:
        folder.drop(["light"])
        with pytest.raises(OutputError, match=r"light is read by this run and would be written over by it"):
            folder.put_text("light", "2")
    assert scan.read_text() == "1"


def test_links_and_folders_in_the_way(tmp_path: Path) -> None:
    out, other = tmp_path / "out", tmp_path / "other"
    other.mkdir()
    (other / "a").write_text("mine")
    out.mkdir()
    (out / "a").symlink_to(other / "a")
    (out / "pictures").symlink_to(other)
    (out / "b").mkdir()
    put(out, a="1")
    assert (other / "a").read_text() == "mine"
    assert (out / "kept-1" / "a").is_symlink()
    for name, says in {"pictures__a": "is a link where", "b": "is a folder where", "a__x": "is a file where"}.items():
        with pytest.raises(OutputError, match=says):
            put(out, **{name: "1"})
    assert content(other) == {"a": "mine"}


@pytest.mark.parametrize("moment", range(1, 5))
def test_a_kill_between_any_two_moves_loses_no_track(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: int
) -> None:
    put(tmp_path, a="1", b="1")

    class Killed(BaseException):
        pass

    replace, calls = os.replace, [0]

    def killed(*paths: Path) -> None:
        calls[0] += 1
        if calls[0] == moment:
            raise Killed
        replace(*paths)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", killed)
        patch.setattr(OutputFolder, "end", lambda self: None)  # a kill leaves the room
        with opened(tmp_path) as folder:
            made = {name: folder.room / name for name in "ab"}
            for path in made.values():
                path.write_text("2")
            with pytest.raises(Killed):
                folder.put(made)
        assert len(list(tmp_path.glob(".making-*"))) == 1
    with opened(tmp_path) as folder:
        assert all(folder.wrote(name) for name in "ab")
        for name in "ab":
            folder.put_text(name, "3")
    assert content(tmp_path) == {"a": "3", "b": "3"}
    assert list(tmp_path.glob(".making-*")) == []


def test_a_folder_made_for_nothing_goes_again(tmp_path: Path) -> None:
    put(tmp_path / "deep" / "out")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "mine").mkdir()
    put(tmp_path / "mine")
    assert list((tmp_path / "mine").iterdir()) == []


def test_two_writers(tmp_path: Path) -> None:
    pytest.importorskip("fcntl")
    with opened(tmp_path), pytest.raises(OutputError, match="Another run is writing"), opened(tmp_path):
        pass
    with opened(tmp_path):
        pass


@pytest.mark.parametrize("name", ["a\0b", "x" * 300, "a/" * 3000])
def test_paths_that_no_file_can_have(tmp_path: Path, name: str) -> None:
    with pytest.raises(SettingsError, match="can't be one"):
        put(tmp_path / name)


def test_the_whole_file_system_is_no_output_folder(tmp_path: Path) -> None:
    (tmp_path / "root").symlink_to("/")
    for path in (Path("/"), Path("/tmp/.."), tmp_path / "root"):
        with pytest.raises(SettingsError, match="is the whole file system's own"), opened(path):
            pass


def test_a_link_in_a_circle_is_no_output_folder(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(OutputError, match="a file of that name is there"), opened(tmp_path / "loop"):
        pass


def test_a_marker_that_is_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / MARKER)
    with opened(tmp_path) as folder:
        folder.put_text("a.txt", "new")
        assert folder.told
    assert (tmp_path / "a.txt").read_text() == "new"
    assert (tmp_path / "kept-1" / MARKER).is_fifo()


def test_a_full_disk_leaves_all_as_it_was(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    put(tmp_path, a="1")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        with pytest.raises(OutputError, match=r"can't be written \(File too large\)"):
            put(tmp_path, a="2" * 2000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert content(tmp_path) == {"a": "1"}
    assert put(tmp_path, a="2").told == ()


def test_a_way_back_through_a_folder_that_had_to_be_made(tmp_path: Path) -> None:
    put(tmp_path / "new" / ".." / "out", a="1")
    assert content(tmp_path / "new" / ".." / "out") == {"a": "1"}
    with opened(tmp_path / "newer" / ".." / "none"):
        pass
    assert not (tmp_path / "newer").exists()
    assert not (tmp_path / "none").exists()
