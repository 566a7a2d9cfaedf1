"""The API pages show what the docstrings say, of names that are fetched on first use and of compiled functions too."""

from __future__ import annotations

import html
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import pipeline
import pipeline.surfaces

ROOT = Path(__file__).resolve().parent.parent
# The two doors whose names are fetched on first use; `.ci/api_page.py api` writes those of all rooms.
ROOMS = ("pipeline", "pipeline.surfaces")
WRITE = """
import importlib, pathlib, sys
sys.path.insert(0, ".ci")
import api_page
folder, *rooms = sys.argv[1:]
api_page.write([importlib.import_module(room) for room in rooms], pathlib.Path(folder))
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Written by a process of its own: what a door offers is put into it for that."""
    folder = tmp_path_factory.mktemp("api")
    command = [sys.executable, "-W", "error::UserWarning", "-c", WRITE, str(folder), *ROOMS]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder


def section(folder: Path, room: str, name: str) -> str:
    """What the page of a room says of a name, as plain words."""
    page = (folder / Path(*room.split("."))).with_suffix(".html").read_text(encoding="utf-8")
    found = re.search(rf'<section id="{name}">(.*?)</section>', page, re.DOTALL)
    assert found, f"{name} does not stand on the page of {room}"
    return words(html.unescape(re.sub("<[^>]+>", "", found[1])))


def words(text: str) -> str:
    return " ".join(text.replace("`", "").split())


def first_sentence(made: object) -> str:
    told = words((made.__doc__ or "").strip().partition("\n\n")[0])
    return re.split(r"(?<=[.:]) ", told, maxsplit=1)[0]


@pytest.mark.parametrize("name", pipeline.__all__)
def test_each_public_name_stands_there_with_its_first_sentence(pages: Path, name: str) -> None:
    sentence = first_sentence(getattr(pipeline, name))
    assert len(sentence) > 10
    assert sentence in section(pages, "pipeline", name)


@pytest.mark.parametrize("name", ["refine", "gradient", "move_onto", "signed_distance", "Kind"])
def test_a_door_shows_compiled_functions_as_they_were_written(pages: Path, name: str) -> None:
    made = getattr(importlib.import_module("pipeline.surfaces"), name)
    shown = section(pages, "pipeline.surfaces", name)
    assert first_sentence(made) in shown
    if name == "refine":
        assert "tolerance: float" in shown
        assert "CPUDispatcher" not in shown


def test_the_overview_is_for_the_author_of_a_script(pages: Path) -> None:
    text = words(html.unescape(re.sub("<[^>]+>", "", (pages / "pipeline.html").read_text(encoding="utf-8"))))
    for said in ("result = pipeline.run(", "Lengths are mm.", "Whatever goes wrong on the way is a DatumliftError"):
        assert said in text
