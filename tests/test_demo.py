"""The main job on the demo scan, as a user runs it: from the command line, held against the part's exact truth.

Covers: pipeline.cli.demo, pipeline.formats.datum_file.run_parts
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import trimesh
from jsonschema import Draft202012Validator
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.TopoDS import TopoDS

import sample_meshes
from pipeline.formats.solid import read_solid
from sample_meshes.design import Design
from tests.drawn import hold
from tests.scorer import Score, score


def datumlift(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        cwd=cwd, capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip


TERMINAL = "terminal.txt"

# What earlier versions said, which no trade and no standard says; "side" in datums.json is a code and no word.
OLD_WORDS = r"\bboss(es)?\b|\btakes? away|\btaken away|noise aside|fair skin|square-up|reference frame \(ISO"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo")
    done = datumlift("demo", "--out", place)
    assert done.returncode == 0, done.stderr
    assert str(place) in done.stdout
    assert "Traceback" not in done.stderr
    (place / TERMINAL).write_text(done.stdout + done.stderr)
    return place


def outputs(demo: Path) -> Path:
    (folder,) = [path for path in demo.iterdir() if (path / "datums.json").is_file()]
    return folder


@pytest.fixture(scope="module")
def datums(demo: Path) -> dict[str, Any]:
    return json.loads((outputs(demo) / "datums.json").read_text())


@pytest.fixture(scope="module")
def scored(demo: Path, datums: dict[str, Any]) -> Score:
    (truth,) = demo.glob("*truth*.json")
    return score(json.loads(truth.read_text()), datums)


def test_the_features_of_the_part_are_found_and_no_others(scored: Score) -> None:
    assert scored.recall >= 0.95, scored.missed
    assert scored.false == ()


def test_the_main_bore_is_where_it_is(scored: Score) -> None:
    seat = scored.hit("bearing seat A")
    assert seat.angle <= 0.03
    assert seat.offset <= 0.015
    assert abs(seat.radius) <= 0.010


def test_the_bolt_circle_of_the_flange_is_in_the_datum_file(demo: Path, datums: dict[str, Any]) -> None:
    (path,) = demo.glob("*truth*.json")
    truth = json.loads(path.read_text())
    places = np.array([f["point"] for f in truth["features"] if f["name"].startswith("bolt hole")])[:, 1:]
    diameter = 2 * np.linalg.norm(places - places.mean(axis=0), axis=1).mean()
    rings = [p for p in datums["patterns"] if p["kind"] == "pitch_circle" and p["count"] == len(places)]
    assert min(abs(ring["diameter"] - diameter) for ring in rings) < 0.020
    assert any(p["kind"] == "coaxial" for p in datums["patterns"])


def test_the_flange_drawings_are_those_of_the_design(demo: Path) -> None:
    (path,) = demo.glob("*truth*.json")
    (scan,) = demo.glob("*_scan.stl")
    vertices = trimesh.load(scan, process=False).vertices
    drawn = hold(outputs(demo), json.loads(path.read_text()), Design.sample(), vertices)
    assert {"flange face", "foot bottom", "coupling end face", "inspection face"} <= set(drawn)


def test_the_output_folder_is_whole(demo: Path) -> None:
    folder = outputs(demo)
    for name in (
        "datums.json", "datums.schema.json", "features.csv", "relations.csv", "summary.md", "job.toml",
        "light.stl", "light.ply", "light-scan.ply", "datums.step", "report.html",
    ):  # fmt: skip
        assert (folder / name).stat().st_size > 0, name
    assert not [path for path in folder.rglob("*") if "part" in path.suffix]


def said(folder: Path) -> dict[str, str]:
    """What a run's folder tells people, by file: tables, page, the texts of drawings and the names in STEP."""
    page = re.sub(r"<(script|style|pre)\b.*?</\1>", "", (folder / "report.html").read_text(), flags=re.DOTALL)
    texts = {"report.html": html.unescape(re.sub(r"<[^>]*>", " ", page))}
    for path in [*folder.glob("*.csv"), *folder.glob("*.md"), *folder.glob("*.toml")]:
        texts[path.name] = path.read_text()
    for path in folder.glob("*.dxf"):
        drawing = ezdxf.readfile(path)
        words = [e.dxf.text for e in drawing.modelspace() if e.dxf.hasattr("text")]
        texts[path.name] = "\n".join([*words, *(layer.dxf.name for layer in drawing.layers)])
    for path in folder.glob("*.step"):
        texts[path.name] = "\n".join(re.findall(r"'([^']*)'", path.read_text()))
    return texts


def test_nothing_that_is_written_for_people_says_old_words(demo: Path) -> None:
    texts = said(outputs(demo)) | {TERMINAL: (demo / TERMINAL).read_text()}
    assert len([name for name in texts if name.endswith(".dxf")]) > 4
    assert len(texts["section.dxf"]) > 200
    assert "Supplemental" in texts["datums.step"] or "DATUMS" in texts["datums.step"]
    for name, text in texts.items():
        found = re.search(OLD_WORDS, text, re.IGNORECASE)
        assert found is None, f"{name}: ... {text[found.start() - 40 : found.end() + 40]} ..."
    assert "outside diameter" in texts["report.html"]
    assert "outside diameters" in texts[TERMINAL]


# What stays in mm where all else is in inches: lines ready to paste, the other unit beside a size, what standards and
# the scan's own file say, and the files that are always in mm.
STAYS = (
    r"\(\s*[\d.,]+\s+mm\)",
    r"[\d.]+ mm +(?=can't be told apart: )",
    r"can't be told apart: [\d./]+ (?:mm|in)(?:, [\d./]+ (?:mm|in))*",
    r"[\d.]+ mm +ISO 235\b|\| [^|]*\b[\d.]+ mm\b[^|]*\|[^|]*\|$",
    r"one unit of the file was taken as [\d.]+ mm",
)


def test_in_inches_no_length_is_told_in_millimetres(demo: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(outputs(demo), tmp_path / "inches")
    job = (folder / "job.toml").read_text().replace('[export]\nunits = "mm"', '[export]\nunits = "in"')
    (scan,) = demo.glob("*scan.*")
    settings = re.sub(r"^(scan|out) = .*$", "", job, flags=re.MULTILINE)
    (tmp_path / "job.toml").write_text(f'scan = "{scan}"\n{settings}')
    done = datumlift("run", tmp_path / "job.toml", "--out", folder)
    assert done.returncode == 0, done.stderr
    texts = said(folder) | {TERMINAL: done.stdout + done.stderr}
    texts["summary.md"] = re.sub(r"```.*?```", "", texts["summary.md"], flags=re.DOTALL).partition("\n## Files")[0]
    del texts["job.toml"], texts["datums.step"]
    lengths = 0
    for name, text in texts.items():
        kept = re.sub("|".join(STAYS), "", text, flags=re.MULTILINE)
        found = re.search(r"\d\s*(mm2?|um|µm|mm²)(?![\w])", kept)
        assert found is None, f"{name}: ... {kept[max(0, found.start() - 60) : found.end() + 20]} ..."
        lengths += len(re.findall(r"\d (in2?|thou)\b", kept))
    assert lengths > 100


def test_a_second_run_makes_nothing_anew(demo: Path) -> None:
    done = datumlift("demo", "--out", demo, "--json")
    summary = json.loads(done.stdout)
    assert all(stage["reused"] for stage in summary["stages"])
    assert summary["facets_after"] <= 100_000 < summary["facets_before"]


def test_what_json_holds_is_what_the_datum_file_holds(demo: Path, datums: dict[str, Any]) -> None:
    printed = json.loads(datumlift("run", *demo.glob("*scan.*"), "--out", outputs(demo), "--json").stdout)
    Draft202012Validator(json.loads(datumlift("schema", "run").stdout)).validate(printed)
    for part in ("features", "frame", "gaps", "source", "calipers", "cautions"):
        assert printed[part] == datums[part], part
    assert printed["budget"] == []
    assert "within_budget" not in printed


def test_a_job_file_from_this_run_keeps_its_frame_and_runs(demo: Path, datums: dict[str, Any], tmp_path: Path) -> None:
    (scan,) = demo.glob("*scan.*")
    made = datumlift("new", scan, "--job", tmp_path / "job.toml")
    assert made.returncode == 0, made.stderr
    told = json.loads(datumlift("run", tmp_path / "job.toml", "--out", outputs(demo), "--json").stdout)
    assert [d["feature"] for d in told["frame"]["datums"]] == [d["feature"] for d in datums["frame"]["datums"]]


def test_the_job_as_run_gives_the_same_bytes_again(demo: Path, tmp_path: Path) -> None:
    folder = outputs(demo)
    done = datumlift("run", folder / "job.toml", "--out", tmp_path / "again", "--quiet")
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    for name in ("datums.json", "light.stl", "light.ply", "features.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def the_template_of_the_demo_is_on_the_bearing_axis(folder: Path) -> None:
    """Its guide has the axis that the wall was placed on, both bearing seats' own."""
    found = json.loads((folder / "fit.json").read_text())
    template = next(made for made in found["made"] if made["kind"] == "template")
    assert template["clearances"]
    assert all(one["verdict"] == "clear" for one in template["clearances"])
    wall = np.array(next(part["matrix"] for part in found["parts"] if part["name"] == "wall"))
    own = np.array(template["matrix"])
    body = read_solid(folder / "axis-template.step")
    assert BRepCheck_Analyzer(body.shape).IsValid()
    guide = next(TopoDS.Face(named.face) for named in body.faces if named.name == "guide 1")
    axis = BRepAdaptor_Surface(guide).Cylinder().Axis()
    way = own[:3, :3] @ [axis.Direction().X(), axis.Direction().Y(), axis.Direction().Z()]
    off = (own @ [axis.Location().X(), axis.Location().Y(), axis.Location().Z(), 1.0])[:3] - wall[:3, 3]
    assert np.linalg.norm(np.cross(way, wall[:3, 2])) < 1e-6
    assert np.linalg.norm(off - (off @ way) * way) < 1e-6


def what_else_the_demo_makes_can_be_made(folder: Path) -> None:
    """Spigot, gasket and cover: read again valid and named, as facets watertight, nowhere thinner than asked for."""
    found = json.loads((folder / "fit.json").read_text())["made"]
    assert [made["kind"] for made in found] == ["spigot", "gasket", "cover"]
    for made in found:
        stem = made["name"].replace(" ", "-")
        assert set(made["files"]) == {f"{stem}.{end}" for end in ("step", "3mf", "stl", "dxf", "pdf")}
        body = read_solid(folder / f"{stem}.step")
        assert BRepCheck_Analyzer(body.shape).IsValid()
        assert all(face.name for face in body.faces)
        assert body.volume == pytest.approx(made["volume"], rel=1e-6)
        assert trimesh.load(folder / f"{stem}.stl").is_watertight
    least = {"seal spigot": 3.0, "window cover": 2.0}
    assert all(made["wall"] >= least.get(made["name"], 0.0) for made in found)


def test_the_demo_layout_is_answered_as_its_exact_solids_are(demo: Path) -> None:
    """Truth: sample_meshes/make_fit.py, distances of exact solids by the CAD kernel, closed forms and the design."""
    done = datumlift("demo", "--out", demo, "--fit", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(done.stdout)
    assert found == json.loads((demo / "turbine_fit" / "fit.json").read_text())
    the_template_of_the_demo_is_on_the_bearing_axis(demo / "turbine_make")
    what_else_the_demo_makes_can_be_made(demo / "turbine_close")
    truth = json.loads((Path(sample_meshes.__file__).parent / "turbine_fit_truth.json").read_text())
    said = {", ".join(answer["between"]): answer for answer in found["clearances"]}
    assert set(truth["clearance"]) <= set(said)
    for pair, exact in truth["clearance"].items():
        spot = said[pair]["spot"]
        assert abs(spot["distance"] - exact) <= spot["expanded"], pair
        assert spot["expanded"] < 0.7, pair  # the guard's sheet alone is known no better than 0.6
    (run,) = found["travels"][0]["runs"]
    assert run["sure"] - 1e-9 <= truth["travel"]["shaft, back"] <= 2 * run["run"] - run["sure"] + 1e-9
    for each in found["envelopes"][0]["reached"]:
        spot, against = each["clearance"]["spot"], each["clearance"]["between"][1]
        assert abs(spot["distance"] - truth["envelope"][against]) <= spot["expanded"]
    # Of the fits, by what stands in what: ring 5 in seat A, ring 3 in seat B, the shaft's end in the coupling.
    fits = {(f["inner"][1], f["bore"][0]): f for answer in said.values() for f in answer["fits"]}
    for name, place in (("seat A", "step 5"), ("seat B", "step 3"), ("coupling", "step 1")):
        fit = fits[place, "coupling" if name == "coupling" else "housing"]
        assert abs(fit["play"] - truth["play"][f"shaft in {name}"]) <= fit["expanded"], name


def test_a_broken_promise_is_exit_status_3(demo: Path, tmp_path: Path) -> None:
    (scan,) = demo.glob("*scan.*")
    job = tmp_path / "job.toml"
    job.write_text(f'scan = "{scan}"\n[lighten]\nfacets = 20000\n[audit]\nmax_deviation = 0.001\n')
    done = datumlift("run", job, "--out", outputs(demo), "--json")
    assert done.returncode == 3, done.stderr
    assert json.loads(done.stdout)["within_budget"] is False
