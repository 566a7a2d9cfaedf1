"""The page of a fit-up, its pictures and the drawing files of sections.

Sections are held against trimesh's own cut and closed forms.

Covers: pipeline.report.fit.page, pipeline.report.fit.sections, pipeline.report.fit.charts, pipeline.report.fit.scene
Covers: pipeline.report.fit.shown, pipeline.mesh.query.plane_section
"""

from __future__ import annotations

import base64
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.fitup import Placed, placed, turned_body
from pipeline.geometry import rigid
from pipeline.layout import Layout
from pipeline.mesh.query import plane_section
from pipeline.questions import fit_up, write_fit
from pipeline.report.fit import section_through

MARKUP = "<b>&\"rod'</b><script>alert(1)</script>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rods beside each other, one of them with a name that is HTML; the least is not held."""
    rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    beside = {"at": [[1, 0, 0, 22], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}
    layout = Layout(
        part={MARKUP: rod, "bar": rod | beside},
        clearance=[{"between": [MARKUP, "bar"], "least": 3}],
        travel=[{"move": "bar", "along": [1, 0, 0], "up_to": 5, "way": "both",
                 "second": {"along": [0, 0, 1], "over": [-4, 4], "steps": 3}}],
        envelope=[{"turn": "bar", "about": "bar: axis", "least": 1}],
    )  # fmt: skip
    out = tmp_path_factory.mktemp("fit") / "out"
    assert write_fit(fit_up(layout, "<i>rods.toml"), out, ()) == ()
    return out


def test_in_inches_nothing_said_is_in_millimetres(tmp_path: Path) -> None:
    rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    beside = {"at": [[1, 0, 0, 22], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}
    layout = Layout(
        part={"rod": rod, "bar": rod | beside},
        export={"units": "in"},
        clearance=[{"between": ["rod", "bar"], "least": 3}],
        travel=[{"move": "bar", "along": [1, 0, 0], "up_to": 5}],
        envelope=[{"turn": "bar", "about": "bar: axis", "least": 1}],
    )
    found = fit_up(layout, "rods.toml")
    write_fit(found, tmp_path / "out", ())
    told = "\n".join(found.lines)
    assert "0.07874 in, +-0.00110 in (95 %)" in told  # 2 mm and 0.028
    page = (tmp_path / "out/fit.html").read_text(encoding="utf-8")
    said = re.sub(r"<(style|script).*?</\1>", "", page, flags=re.DOTALL)
    said = re.sub(r"<pre>.*?</pre>", "", said, flags=re.DOTALL).replace("Matrices, part to place, mm", "")
    for text in (told, said):
        assert not re.search(r"\d\s?(mm|um|\u00b5m)\b|, mm\b|millimetres", text)
    assert ">gap, in (upwards)<" in page
    # fit.json stays in mm.
    assert "2.000 mm, +-0.028 mm (95 %)" in (tmp_path / "out/fit.json").read_text(encoding="utf-8")


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.found.append(tag)


def test_names_that_are_markup_stay_text(folder: Path) -> None:
    page = (folder / "fit.html").read_text(encoding="utf-8")
    parser = _Elements()
    parser.feed(page)
    # Two elements of data and the script of the view; <b> of the cautions only.
    assert parser.found.count("script") == 3
    assert "i" not in parser.found
    assert "alert(1)</script>" not in page
    assert "&lt;b&gt;&amp;" in page
    data = re.search(r'<script type="application/json" id="scene">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    assert json.loads(data[1])["said"] == [MARKUP, "bar"]


def test_the_page_says_first_what_is_not_held(folder: Path) -> None:
    page = (folder / "fit.html").read_text(encoding="utf-8")
    said = re.sub(r"<[^>]*>", " ", page)
    assert said.index("Not all that was asked holds") < said.index("too near") < said.index("Local codes")
    assert "2.000 mm, ±0.028 mm (95 %)" in said
    assert page.count("<svg") >= 4  # the section, two curves and a map


def test_the_scene_has_every_part_where_it_stands(folder: Path) -> None:
    page = (folder / "fit.html").read_text(encoding="utf-8")
    text = re.search(r'id="scene">(.*?)</script>', page, re.DOTALL)
    assert text is not None
    scene = json.loads(text[1])
    places = np.frombuffer(base64.b64decode(scene["positions"]), "<i2").reshape(-1, 3) * scene["step"] + scene["centre"]
    assert places.min(axis=0) == pytest.approx([-10, -10, 0], abs=0.01)
    assert places.max(axis=0) == pytest.approx([32, 10, 50], abs=0.01)
    labels = np.frombuffer(base64.b64decode(scene["labels"]), "<i4")
    assert set(labels) == {0, 1}


def test_parts_and_sections_are_read_by_others(folder: Path) -> None:
    """trimesh reads the 3MF, ezdxf the drawing: the two rods' rounds are 20 mm wide and the leader 2 mm long."""
    ezdxf = pytest.importorskip("ezdxf")
    scene = trimesh.load(folder / "placed.3mf")
    assert len(scene.geometry) == 2
    assert scene.extents == pytest.approx([42, 20, 50], abs=0.01)
    space = ezdxf.readfile(folder / "section-1.dxf").modelspace()
    outlines = [np.array([tuple(v)[:2] for v in line.get_points()]) for line in space.query("LWPOLYLINE")]
    assert [sorted(np.ptp(run, axis=0).round(2)) for run in outlines] == [[20.0, 20.0]] * 2
    (leader,) = space.query("LINE")
    assert leader.dxf.start.distance(leader.dxf.end) == pytest.approx(2.0, abs=1e-4)


def test_a_section_is_that_of_another_library() -> None:
    """A torus cut aslant: length and ends against trimesh's section; every run is closed."""
    torus = trimesh.creation.torus(20.0, 6.0)
    normal = np.array([0.36, 0.48, 0.8])
    runs = plane_section(torus.vertices, torus.faces, np.array([1.0, 2.0, 0.5]), normal)
    other = torus.section(normal, np.array([1.0, 2.0, 0.5]))
    assert all(np.array_equal(run[0], run[-1]) for run in runs)
    length = sum(np.linalg.norm(np.diff(run, axis=0), axis=1).sum() for run in runs)
    assert length == pytest.approx(other.length, rel=1e-9)
    assert len(runs) == len(other.entities)
    open_half = torus.faces[torus.triangles_center[:, 0] > 0]
    level = plane_section(torus.vertices, open_half, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert len(level) == 2
    assert not any(np.array_equal(run[0], run[-1]) for run in level)


def test_the_section_shows_both_parts() -> None:
    """A rod's end over a plate, set off: the cut runs along the rod and shows outlines of both."""
    rod, disc = turned_body("rod", [(0, 20), (50, 20)], 0.01), turned_body("disc", [(0, 60), (4, 60)], 0.01)
    where = rigid(np.eye(3), np.array([5.0, 0, -9.0]))
    parts = {"rod": Placed(rod, placed([])), "disc": Placed(disc, placed([], where))}
    cut = section_through(parts, ("rod", "disc"), np.array([[0.0, 0, 0], [0.0, 0, -5]]), "5 mm")
    assert cut.wide == 35.0
    assert [len(runs) for runs in cut.runs.values()] == [1, 1]
    assert abs(cut.looks[2]) == pytest.approx(0.0, abs=1e-9)
    assert cut.leader[:, 0] == pytest.approx([0.0, 0.0], abs=1e-9)
