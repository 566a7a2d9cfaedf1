"""A layout answered a second time: only what changed is asked anew, and nothing that is told is of before.

Covers: pipeline.questions.keeping, pipeline.formats.solid.kept
"""

from __future__ import annotations

import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
from OCP.gp import gp_Pnt
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

from pipeline.cli.workshop.fit import command
from pipeline.errors import SettingsError
from pipeline.fitup import Placed, placed, turned_body
from pipeline.geometry import rigid
from pipeline.layout import ClearanceQuestion
from pipeline.questions import Shelf, cut
from pipeline.questions.kind import Kind

ASKED = ClearanceQuestion(between=("rod", "bar"))


@dataclass(frozen=True)
class _Counted:
    kind: Kind[Any, Any]
    times: list[int]


def counted(all_names: bool) -> _Counted:
    """A kind of question whose answer is the sum of two lengths, and of all parts where it looks at all."""
    times: list[int] = []

    def answer(question: Any, parts: Any, progress: Any) -> tuple[float, ...]:
        times.append(1)
        names = tuple(parts) if all_names else question.between
        return tuple(float(parts[name].vertices[:, 2].max()) for name in names)

    return _Counted(
        Kind("clearance", "clearances", str, answer, lambda q, a: a, bool, lambda q, a: [], lambda q, a, p: a), times
    )  # type: ignore[arg-type]


def parts(**lengths: float) -> dict[str, Placed]:
    return {name: Placed(turned_body(name, [(0, 20), (n, 20)], 0.01), placed([])) for name, n in lengths.items()}


def ask(folder: Path, kind: Kind[Any, Any], fresh: bool = False, code: str = "1", **lengths: float) -> Any:
    shelf = Shelf(folder, (), code, fresh)
    found = shelf.answer(kind, ASKED, parts(**lengths), lambda *_: None)
    shelf.tidy()
    return found


def test_only_what_changed_is_asked_again(tmp_path: Path) -> None:
    two = counted(all_names=False)
    assert ask(tmp_path, two.kind, rod=50, bar=60, post=7) == (50.0, 60.0)
    assert ask(tmp_path, two.kind, rod=50, bar=60, post=7) == (50.0, 60.0)
    assert ask(tmp_path, two.kind, rod=50, bar=60, post=8) == (50.0, 60.0)  # not looked at
    assert len(two.times) == 1
    assert ask(tmp_path, two.kind, rod=50, bar=61, post=8) == (50.0, 61.0)
    assert len(two.times) == 2
    assert ask(tmp_path, two.kind, True, rod=50, bar=61, post=8) == (50.0, 61.0)
    assert len(two.times) == 3


def test_another_program_and_another_place_ask_again(tmp_path: Path) -> None:
    two = counted(all_names=False)
    for code in ("1", "1", "2", "2"):
        assert ask(tmp_path, two.kind, code=code, rod=50, bar=60) == (50.0, 60.0)
    assert len(two.times) == 2
    shelf, there = Shelf(tmp_path, (), "2"), parts(rod=50, bar=60)
    there["rod"] = replace(there["rod"], pose=placed([], rigid(np.eye(3), np.array([0.0, 0.0, 5.0]))))
    assert shelf.answer(two.kind, ASKED, there, lambda *_: None) == (55.0, 60.0)


def test_another_exact_solid_of_a_part_asks_again(tmp_path: Path) -> None:
    two, solid = counted(all_names=False), tmp_path / "part.step"
    for text in ("one", "one", "other"):
        solid.write_text(text)
        there = parts(rod=50, bar=60)
        there["rod"] = replace(there["rod"], body=replace(there["rod"].body, solid=solid))
        Shelf(tmp_path / "out", (), "1").answer(two.kind, ASKED, there, lambda *_: None)
    assert len(two.times) == 2


def test_an_answer_that_looks_at_all_parts_hangs_on_which_there_are(tmp_path: Path) -> None:
    every = counted(all_names=True)
    assert ask(tmp_path, every.kind, rod=50, bar=60) == (50.0, 60.0)
    assert ask(tmp_path, every.kind, rod=50, bar=60, post=7) == (50.0, 60.0, 7.0)
    assert ask(tmp_path, every.kind, rod=50, bar=60, post=7) == (50.0, 60.0, 7.0)
    assert len(every.times) == 2


LAYOUT = """
[part.rod]
turned = [[0, 20], [50, 20]]
uncertainty = 0.01
[part.bar]
turned = [[0, 20], [50, 20]]
uncertainty = 0.01
at = [[1, 0, 0, 25], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]
[[clearance]]
between = ["rod", "bar"]
[[travel]]
move = "bar"
along = [-1, 0, 0]
up_to = 30
"""


def run(folder: Path, out: str, *options: str) -> None:
    told = CliRunner().invoke(
        command, [str(folder / "rods.toml"), "--quiet", "--out", str(folder / out), *options], standalone_mode=False
    )
    assert told.exception is None


@pytest.mark.parametrize("damage", ["", "cut short"])
def test_a_second_run_says_what_a_first_one_would(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "rods.toml"
    path.write_text(LAYOUT)
    run(tmp_path, "again")
    first = (tmp_path / "again" / "fit.json").read_bytes()
    kept = sorted((tmp_path / "again" / "work").glob("answer-*.npz"))
    assert len(kept) == 2
    if damage:
        kept[0].write_bytes(kept[0].read_bytes()[:200])
    run(tmp_path, "again")
    assert (tmp_path / "again" / "fit.json").read_bytes() == first
    path.write_text(LAYOUT.replace("[[0, 20], [50, 20]]", "[[0, 22], [50, 22]]", 1))
    run(tmp_path, "again")
    run(tmp_path, "anew", "--fresh")
    changed = (tmp_path / "again" / "fit.json").read_bytes()
    assert changed != first
    assert changed == (tmp_path / "anew" / "fit.json").read_bytes()
    path.write_text(LAYOUT.partition("[[travel]]")[0])
    run(tmp_path, "again")
    assert len(list((tmp_path / "again" / "work").glob("answer-*.npz"))) == 1


CUTS = """
[part.block]
file = "block.step"
uncertainty = 0.01
[[cut]]
part = "block"
name = "seat"
bore = { axis = "z", diameter = 12, through = true }
wall = 8
[[cut]]
part = "block"
facing = { face = "face nearest [0, 0, 30]", take = 2 }
[[wall]]
part = "block"
least = 9
"""


def test_cuts_are_kept_with_their_walls_and_their_exact_solid(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = BRepPrimAPI_MakeBox(gp_Pnt(-20.0, -15.0, 0.0), 40.0, 30.0, 30.0).Shape()
    writer = STEPControl_Writer()
    writer.Transfer(body, STEPControl_AsIs)
    writer.Write(str(tmp_path / "block.step"))
    (tmp_path / "rods.toml").write_text(CUTS)
    run(tmp_path, "again")
    files = {path.name: path.read_bytes() for path in (tmp_path / "again").iterdir() if path.is_file()}
    assert "block-cut.step" in files

    asked: list[str] = []

    def cut_part(part: Any, question: Any, *rest: Any) -> Any:
        asked.append(question.what)
        return really(part, question, *rest)

    really = cut.cut_part
    monkeypatch.setattr(cut, "cut_part", cut_part)
    run(tmp_path, "again")
    assert asked == []
    assert {p.name: p.read_bytes() for p in (tmp_path / "again").iterdir() if p.is_file()} == files
    # The second cut alone is another one: the first is kept, its exact solid too.
    (tmp_path / "rods.toml").write_text(CUTS.replace("take = 2", "take = 3"))
    run(tmp_path, "again")
    assert asked == ["facing"]
    run(tmp_path, "anew", "--fresh")
    assert asked == ["facing", "bore", "facing"]
    # The part beneath is another one: both are.
    for name in ("fit.json", "block-cut.stl", "block-cut.step"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "anew" / name).read_bytes()
    body = BRepPrimAPI_MakeBox(gp_Pnt(-20.0, -15.0, 0.0), 42.0, 30.0, 30.0).Shape()
    writer = STEPControl_Writer()
    writer.Transfer(body, STEPControl_AsIs)
    writer.Write(str(tmp_path / "block.step"))
    run(tmp_path, "again")
    assert asked[3:] == ["bore", "facing"]


KILLED = """
import os, signal, sys
from pipeline.cli.workshop import answer
from pipeline.questions import registry, asking
from pathlib import Path
from dataclasses import replace

def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)

asking.KINDS = tuple(replace(kind, answer=die) if kind.table == "travel" else kind for kind in registry.KINDS)
answer(Path(sys.argv[1]), Path(sys.argv[2]), False, True)
"""


def test_a_fit_that_was_killed_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drill = '[[cut]]\npart = "bar"\nbore = { axis = "axis", diameter = 5, through = true }\n'
    path = tmp_path / "rods.toml"
    path.write_text(LAYOUT + drill)
    ended = subprocess.run([sys.executable, "-c", KILLED, str(path), str(tmp_path / "again")], check=False)
    assert ended.returncode == -signal.SIGKILL
    kept = sorted((tmp_path / "again" / "work").glob("answer-*.npz"))
    assert len(kept) == 2  # cut and clearance
    monkeypatch.setattr(cut, "cut_part", None)
    run(tmp_path, "again")
    monkeypatch.undo()
    run(tmp_path, "anew")
    for name in ("fit.json", "fit.html", "bar-cut.stl"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "anew" / name).read_bytes()
    assert not list((tmp_path / "again").glob(".making-*"))


def test_of_a_layout_that_turns_out_wrong_nothing_is_left(tmp_path: Path) -> None:
    (tmp_path / "rods.toml").write_text(LAYOUT.replace("[-1, 0, 0]", "[0, 0, 0]"))
    told = CliRunner().invoke(command, [str(tmp_path / "rods.toml"), "--quiet"], standalone_mode=False)
    assert isinstance(told.exception, SettingsError)
    assert [path.name for path in tmp_path.iterdir()] == ["rods.toml"]
