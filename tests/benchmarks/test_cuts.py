"""Cuts of scans of parts whose exact solids the CAD kernel cuts: volumes, walls, and what comes out of the far side.

Three designs are drawn with OCP, their sizes from a seed; what a cut takes of the exact solid is the kernel's figure.
Of the demo part, a signed distance, it is an integral over a grid.
"""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepGProp import BRepGProp
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.GProp import GProp_GProps
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

from pipeline.fitup import Placed, cut_part, item_on, placed
from pipeline.fitup.cuts import Cut, sharpened_body
from pipeline.formats.datum_file import read_datums
from pipeline.formats.meshes_out import write_stl
from pipeline.formats.parts_in.run_folder import body_of_run
from pipeline.layout import CutQuestion
from pipeline.runner import run
from sample_meshes import make_demo
from sample_meshes.design import Design
from tests.scans import _load, scan_like

pytestmark = pytest.mark.slow

# Seeds that the code was made with; others are set for the last look.
SEEDS = tuple(map(int, os.environ.get("CUT_SEEDS", "1").split(",")))
VOLUME = 3e-3  # the bar
WALL = 0.15  # mm


def box(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> Any:
    return BRepPrimAPI_MakeBox(gp_Pnt(*at), x, y, z).Shape()


def peg(radius: float, length: float, at: tuple[float, float, float], along: tuple[float, float, float]) -> Any:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*at), gp_Dir(*along)), radius, length).Shape()


def less(body: Any, *tools: Any) -> Any:
    for tool in tools:
        body = BRepAlgoAPI_Cut(body, tool).Shape()
    return body


def volume(shape: Any) -> float:
    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, found)
    return float(found.Mass())


@dataclass(frozen=True)
class Asked:
    """A cut: its table with places in the design's coordinates as `at` (point) and words with {place}; the exact tool;
    mm of the thinnest wall that it leaves, None where there is none; whether it comes out."""

    table: str
    settings: dict[str, Any]
    places: dict[str, tuple[str, tuple[float, float, float]]]
    tool: Any
    wall: float | None
    out: bool


UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)


def bush(rng: np.random.Generator) -> tuple[Any, list[Asked]]:
    """A flanged bush: a new bore, and its flange faced."""
    wide, hub, bore = 38 + 4 * rng.random(), 24 + 2 * rng.random(), 13 + 2 * rng.random()
    thick, high = 11 + 2 * rng.random(), 48 + 6 * rng.random()
    body = BRepAlgoAPI_Fuse(peg(wide, thick, (0, 0, 0), UP), peg(hub, high, (0, 0, 0), UP)).Shape()
    body = less(body, peg(bore, high + 2, (0, 0, -1), UP))
    new = bore + 2.5 + rng.random()
    foot = ("face", (0.7 * wide, 0.0, 0.0))
    return body, [
        Asked(
            "bore", {"diameter": 2 * new, "through": True}, {"axis": ("bore", (0, bore, high / 2))},
            peg(new, high + 2, (0, 0, -1), UP), hub - new, False,
        ),
        Asked("facing", {"take": 2.0}, {"face": foot}, box(200, 200, 2, (-100, -100, 0)), None, False),
        Asked(
            "counterbore", {"diameter": 2 * bore + 8, "depth": 9},
            {"axis": ("bore", (0, bore, high / 2)), "face": foot}, peg(bore + 4, 9, (0, 0, 0), UP), None, False,
        ),
    ]  # fmt: skip


def block(rng: np.random.Generator) -> tuple[Any, list[Asked]]:
    """A block with two bores, drilled near its side, near its far side, and through that."""
    x, y, z = 78 + 6 * rng.random(), 56 + 6 * rng.random(), 28 + 4 * rng.random()
    r = 7.5 + rng.random()
    body = less(box(x, y, z), peg(r, z + 2, (20, y / 2, -1), UP), peg(10, 18, (x - 20, y / 2, z), DOWN))
    top, bore = ("face", (x / 2, y / 2, z)), ("bore", (20 - r, y / 2, z / 2))
    side, drill = 4.0 + rng.random(), 4.0
    beside = (x / 2, side + drill, z)
    near = 2.0 + rng.random()
    return body, [
        Asked(
            "counterbore", {"diameter": 2 * r + 10, "depth": 8}, {"axis": bore, "face": top},
            peg(r + 5, 8, (20, y / 2, z), DOWN), 20 - r - 5, False,
        ),
        Asked(
            "holes", {"diameter": 2 * drill, "depth": 20}, {"face": top, "at": ("place", beside)},
            peg(drill, 20, beside, DOWN), side, False,
        ),
        Asked(
            "holes", {"diameter": 2 * drill, "depth": z - near}, {"face": top, "at": ("place", (x / 2, y / 2, z))},
            peg(drill, z - near, (x / 2, y / 2, z), DOWN), near, False,
        ),
        Asked(
            "holes", {"diameter": 2 * drill, "depth": z + 0.15}, {"face": top, "at": ("place", (x / 2, y / 2, z))},
            peg(drill, z + 0.15, (x / 2, y / 2, z), DOWN), None, True,
        ),
        Asked("facing", {"take": 1.5}, {"face": top}, box(200, 200, 1.5, (-50, -50, z - 1.5)), None, False),
    ]  # fmt: skip


def bracket(rng: np.random.Generator) -> tuple[Any, list[Asked]]:
    """An angle with a bore in its upright: bored up, its foot faced, a slot through it."""
    long, deep, thick, high = 84 + 8 * rng.random(), 46 + 4 * rng.random(), 11 + 2 * rng.random(), 62 + 4 * rng.random()
    body = BRepAlgoAPI_Fuse(box(long, deep, thick), box(thick, deep, high)).Shape()
    r, mid = 11 + rng.random(), high - 22
    body = less(body, peg(r, thick + 2, (-1, deep / 2, mid), (1, 0, 0)))
    back, foot = ("face", (0.0, 4.0, thick / 2)), ("face", (long / 2, deep / 2, 0.0))
    new = r + 3
    one, two = (long - 30, deep / 2 - 8, 0.0), (long - 30, deep / 2 + 8, 0.0)
    way = BRepAlgoAPI_Fuse(
        BRepAlgoAPI_Fuse(peg(5, thick + 2, one, UP), peg(5, thick + 2, two, UP)).Shape(),
        box(10, 16, thick + 2, (one[0] - 5, one[1], 0.0)),
    ).Shape()
    return body, [
        Asked(
            "bore", {"diameter": 2 * new, "through": True},
            {"axis": ("bore", (thick / 2, deep / 2, mid + r)), "face": back},
            peg(new, thick + 2, (-1, deep / 2, mid), (1, 0, 0)), min(high - mid, deep / 2) - new, False,
        ),
        Asked("facing", {"take": 2.0}, {"face": foot}, box(200, 200, 2, (-50, -50, 0)), None, False),
        Asked(
            "slot", {"width": 10, "through": True}, {"face": foot, "start": ("place", one), "end": ("place", two)},
            way, None, False,
        ),
    ]  # fmt: skip


DESIGNS = {"bush": bush, "block": block, "bracket": bracket}


def made(folder: Path, name: str, seed: int) -> tuple[Placed, np.ndarray, Any, list[Asked]]:
    """The part as a run recovers it, the matrix that takes the design there, the exact solid, and the cuts."""
    body, asked = DESIGNS[name](np.random.default_rng([seed, len(name)]))
    drawn = folder / f"{name}.step"
    writer = STEPControl_Writer()
    writer.Transfer(body, STEPControl_AsIs)
    writer.Write(str(drawn))
    scan = scan_like(_load(f"cut {name} {seed}", drawn), 1.0, 0.012, seed)
    write_stl(folder / f"{name}.stl", scan.vertices, scan.faces, "mm")
    result = run(folder / f"{name}.stl", out=folder / name)
    part = Placed(sharpened_body(body_of_run("part", result.out)), placed([]))
    return part, np.array(read_datums(result.out / "datums.json").frame.matrix) @ scan.to_scan, body, asked


def cut(part: Placed, to_part: np.ndarray, asked: Asked) -> Cut:
    settings = dict(asked.settings)
    for key, (word, place) in asked.places.items():
        at = (to_part[:3, :3] @ place + to_part[:3, 3]).tolist()
        settings[key] = at if word == "place" else f"{word} nearest {at}"
    if asked.table == "holes":
        settings["at"] = [settings["at"]]
    question = CutQuestion(part="part", wall=6.0, **{asked.table: settings})
    return cut_part(part, question, lambda *words: item_on(part, {"part": part}, *words), "the cut")


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", DESIGNS)
def test_cuts_take_and_leave_what_they_take_and_leave_of_the_exact_solid(tmp_path: Path, name: str, seed: int) -> None:
    part, to_part, body, all_asked = made(tmp_path, name, seed)
    told = []
    for asked in all_asked:
        begin = time.process_time()
        found = cut(part, to_part, asked)
        took = time.process_time() - begin
        exact = volume(BRepAlgoAPI_Common(body, asked.tool).Shape())
        off = found.volume / exact - 1
        seen = [s.spot for s in found.wall.spots if s.seen] if found.wall else []
        thin = min(seen, key=lambda s: s.distance) if seen else None
        comes = any(o.opens in ("comes out", "opens into") for o in found.openings) and not asked.settings.get(
            "through"
        )
        wall_off = None if asked.wall is None or thin is None else thin.distance - asked.wall
        bound = WALL if thin is None else max(WALL, thin.expanded)
        told.append(
            (
                asked.table,
                off,
                found.expanded / exact,
                wall_off,
                bound,
                comes == asked.out,
                asked.wall is None or thin is not None,
            )
        )
        print(name, seed, asked.table, f"{exact:.0f} mm3 {off:+.3%} +-{found.expanded / exact:.3%}", wall_off, bound,
              found.sound, found.notes, f"{took:.2f} s")  # fmt: skip
    for table, off, expanded, wall_off, bound, as_meant, has_wall in told:
        assert abs(off) < VOLUME, (table, off, expanded)
        assert has_wall, table
        assert wall_off is None or abs(wall_off) < bound, (table, wall_off)
        assert as_meant, table


_PITCH = 0.25  # mm
SEAT, END, FOOT = "bore nearest [-188, 31, -98]", "face nearest [-204, 0, -60]", "face nearest [-112, 0, 0]"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Placed, np.ndarray]:
    folder = Path(os.environ["CUT_DEMO"]) if "CUT_DEMO" in os.environ else tmp_path_factory.mktemp("demo")
    scan, truth = folder / "bearing_housing_scan.stl", folder / "bearing_housing_truth.json"
    if not scan.exists():
        scan, truth = make_demo(folder, 2e5)
    result = run(scan, out=folder / "bearing_housing_scan")
    to_design = np.linalg.inv(np.array(json.loads(truth.read_text())["to_scan"]))
    matrix = to_design @ np.linalg.inv(np.array(read_datums(result.out / "datums.json").frame.matrix))
    return Placed(sharpened_body(body_of_run("housing", result.out)), placed([])), matrix


@pytest.mark.parametrize(
    "table",
    [
        {"bore": {"axis": SEAT, "diameter": 68, "face": END, "depth": 31.5}},
        {"facing": {"face": FOOT, "take": 2}},
        {"holes": {"face": FOOT, "at": [[-112, 0, 0]], "diameter": 12, "through": True}},
        {"turning": {"axis": SEAT, "diameter": 84, "face": END, "depth": 12}},
        {"facing": {"face": "face nearest [8, 45, -98]", "take": 1}},
    ],
    ids=lambda t: next(iter(t)),
)  # fmt: skip
def test_cuts_of_the_demo_take_what_they_take_of_the_design(demo: tuple[Placed, np.ndarray], table: dict) -> None:
    """The exact figure is what the same strokes take of the design's signed distance, which has sharp edges."""
    part, to_design = demo
    question = CutQuestion(part="housing", **table)
    found = cut_part(part, question, lambda *words: item_on(part, {}, *words), "the cut")
    design = Design.sample().part(0.0).solid
    (stroke,) = found.strokes
    vertices = stroke.mesh()[0]
    low = np.maximum(vertices.min(axis=0), part.vertices.min(axis=0) - 1)
    high = np.minimum(vertices.max(axis=0), part.vertices.max(axis=0) + 1)
    exact = 0.0
    axes = [np.arange(a + _PITCH / 2, b, _PITCH) for a, b in zip(low, high, strict=True)]
    across = np.stack(np.meshgrid(axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 2)
    v = np.cross(stroke.feed, stroke.across)
    for x in axes[0]:
        points = np.column_stack([np.full(len(across), x), across])
        off = points - stroke.start
        along = off @ stroke.feed
        if stroke.kind == "block":
            wide = np.maximum(np.abs(off @ stroke.across) - stroke.half[0], np.abs(off @ v) - stroke.half[1])
        else:
            wide = np.linalg.norm(off - along[:, None] * stroke.feed, axis=1) - stroke.radius
            wide = -wide if stroke.kind == "ring" else wide
        tool = np.maximum(wide, np.maximum(-along, along - stroke.length))
        near = tool < _PITCH
        metal = design.distance(points[near] @ to_design[:3, :3].T + to_design[:3, 3])
        exact += float(np.clip(0.5 - np.maximum(metal, tool[near]) / _PITCH, 0.0, 1.0).sum()) * _PITCH**3
    off = found.volume / exact - 1
    print(
        next(iter(table)), f"{found.volume:.1f} {exact:.1f} mm3 {off:+.3%} +-{found.expanded / exact:.3%}", found.notes
    )
    assert abs(off) < VOLUME
