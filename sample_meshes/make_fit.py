"""Make the demo layout's neighbours as exact solids, and the exact answers to what the layout asks.

The bearing housing carries a small turbine's shaft: the turbine's casing is bolted to its flange, its foot stands on a
frame, a coupling sits on the free end of the shaft, and a guard stands over it. Design coordinates (see `design`) are
those of all exact answers; each STEP file has coordinates of its own, as a part from elsewhere would.

usage: python sample_meshes/make_fit.py
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from numpy.typing import NDArray
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

from sample_meshes.design import Design

HERE = Path(__file__).resolve().parent
GASKET, SHIM = 0.5, 2.0
START = 270.0  # x of the shaft's free end; its stations run against x
SHAFT = (
    (0.0, 24.0), (62.0, 24.0), (62.0, 30.0), (74.0, 30.0), (74.0, 61.99), (90.0, 61.99), (90.0, 44.0), (242.5, 44.0),
    (242.5, 71.99), (259.5, 71.99), (259.5, 35.0), (330.0, 35.0),
)  # fmt: skip
DISC = 212.0  # x of the coupling's disc
FRAME_TOP = -98.0 - SHIM
ORIGINS = {
    "casing": (-GASKET, 0.0, 0.0),
    "frame": (20.0, 0.0, FRAME_TOP),
    "coupling": (DISC, 0.0, 0.0),
    "guard": (235.0, 0.0, FRAME_TOP),
}


def solids(design: Design | None = None) -> dict[str, Any]:
    """The neighbours and the shaft as exact solids, in design coordinates."""
    d = design or Design.sample()
    angles = 2.0 * np.pi * (np.arange(d.bolt_count) + 0.5) / d.bolt_count
    bolts = [(d.bolt_circle_radius * np.cos(a), d.bolt_circle_radius * np.sin(a)) for a in angles]
    casing = _less(
        _box((-GASKET - 20.0, -100.0, -97.0), (-GASKET, 100.0, 100.0)),
        [_along_x(-60.0, 57.05, 80.0), *(_along_x(-60.0, 5.75, 80.0, y, z) for y, z in bolts)],
    )
    half = (d.foot_length / 2 - d.foot_hole_inset, d.foot_width / 2 - d.foot_hole_inset)
    feet = [(d.foot_position + i * half[0], k * half[1]) for i in (-1, 1) for k in (-1, 1)]
    tabs = [(235.0, -63.0), (235.0, 63.0)]
    frame = _less(
        _box((-30.0, -110.0, FRAME_TOP - 16.0), (300.0, 110.0, FRAME_TOP)),
        [_along_z(x, y, FRAME_TOP - 20.0, r, 30.0) for r, places in ((7.25, feet), (4.5, tabs)) for x, y in places],
    )
    shaft = _all([_along_x(START - high, b / 2, high - low) for (low, b), (high, _) in _steps()])
    hub = _all([_along_x(DISC, 22.0, 50.0), _along_x(DISC, 40.0, 12.0)])
    coupling = _less(hub, [_along_x(200.0, 12.01, 100.0)])
    arch = _all([_along_x(188.0, 51.0, 94.0), _box((188.0, -51.0, FRAME_TOP), (282.0, 51.0, 0.0))])
    arch = _less(arch, [_along_x(180.0, 48.0, 110.0), _box((180.0, -48.0, FRAME_TOP - 1.0), (290.0, 48.0, 0.0))])
    sides = [
        _box((205.0, min(a, b), FRAME_TOP), (265.0, max(a, b), FRAME_TOP + 3.0)) for a, b in ((49, 76), (-76, -49))
    ]
    guard = _less(_all([arch, *sides]), [_along_z(x, y, FRAME_TOP - 5.0, 4.5, 20.0) for x, y in tabs])
    return {"casing": casing, "frame": frame, "shaft": shaft, "coupling": coupling, "guard": guard}


def _steps() -> list[tuple[tuple[float, float], tuple[float, float]]]:
    return [(a, b) for a, b in pairwise(SHAFT) if b[0] > a[0]]


def _box(low: Sequence[float], high: Sequence[float]) -> Any:
    return BRepPrimAPI_MakeBox(gp_Pnt(*low), gp_Pnt(*high)).Shape()


def _along_x(x: float, radius: float, length: float, y: float = 0.0, z: float = 0.0) -> Any:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, z), gp_Dir(1, 0, 0)), radius, length).Shape()


def _along_z(x: float, y: float, z: float, radius: float, length: float) -> Any:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, z), gp_Dir(0, 0, 1)), radius, length).Shape()


def _less(shape: Any, tools: Sequence[Any]) -> Any:
    for tool in tools:
        shape = BRepAlgoAPI_Cut(shape, tool).Shape()
    return shape


def _all(shapes: Sequence[Any]) -> Any:
    whole = shapes[0]
    for shape in shapes[1:]:
        whole = BRepAlgoAPI_Fuse(whole, shape).Shape()
    return whole


def moved(shape: Any, by: Sequence[float]) -> Any:
    """A shape shifted by three numbers, mm."""
    shift = gp_Trsf()
    shift.SetTranslation(gp_Vec(*by))
    return BRepBuilderAPI_Transform(shape, shift, True).Shape()


def distance(one: Any, other: Any) -> float:
    """Least distance of two exact solids, mm: the CAD kernel's."""
    return float(BRepExtrema_DistShapeShape(one, other).Value())


def passage_clearance(design: Design) -> float:
    """Least distance, mm, of the shaft's D44 from the cast passage: along rays from the axis, the nearest refined."""
    solid, radius = design.part(0.0).solid, 22.0
    low, high = np.array([39.0, 0.0]), np.array([design.length - design.seat_b_depth - design.step_b_depth, 2 * np.pi])
    x, angle = low[0], low[1]
    span, best = high - low, np.inf
    middle = 0.5 * (low + high)
    for _ in range(6):
        xs = np.clip(np.linspace(middle[0] - span[0] / 2, middle[0] + span[0] / 2, 301), low[0], high[0])
        angles = np.linspace(middle[1] - span[1] / 2, middle[1] + span[1] / 2, 401)
        grid_x, grid_a = (g.ravel() for g in np.meshgrid(xs, angles))
        far = _wall_along(solid, grid_x, grid_a)
        k = int(np.argmin(far))
        best, x, angle = float(far[k]), float(grid_x[k]), float(grid_a[k])
        middle, span = np.array([x, angle]), span / 20.0
    return best - radius


def _wall_along(solid: Any, x: NDArray[np.float64], angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far from the axis each ray across it meets metal, mm, by bisection between 21 and 30 mm."""
    low, high = np.full(len(x), 21.0), np.full(len(x), 30.0)
    for _ in range(40):
        half = 0.5 * (low + high)
        inside = solid.distance(np.column_stack([x, half * np.cos(angle), half * np.sin(angle)])) < 0.0
        low, high = np.where(inside, low, half), np.where(inside, half, high)
    return high


def answers() -> dict[str, object]:
    """What is exactly true of the layout, mm."""
    d, made = Design.sample(), solids()
    return {
        "clearance": {
            "shaft, housing": passage_clearance(d),
            "coupling, housing": DISC - d.length,
            "guard, housing": 48.0 - d.end_boss_radius,
            "coupling, guard": distance(made["coupling"], made["guard"]),
            "casing, frame": distance(made["casing"], made["frame"]),
        },
        "travel": {"shaft, back": d.seal_depth - d.spigot_height + d.seat_a_depth - (START - 242.5)},
        "envelope": {"housing": DISC - d.length, "guard": 48.0 - 40.0},
        "play": {
            "shaft in seat A": 2 * d.seat_a_radius - 71.99,
            "shaft in seat B": 2 * d.seat_b_radius - 61.99,
            "shaft in coupling": 24.02 - 24.0,
        },
    }


def main() -> None:
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    for name, shape in solids().items():
        if name == "shaft":
            continue
        writer = STEPControl_Writer()
        writer.Transfer(moved(shape, [-v for v in ORIGINS[name]]), STEPControl_AsIs)
        path = HERE / f"turbine_{name}.step"
        writer.Write(str(path))
        path.write_text(_undated(path.read_text(encoding="utf-8")), encoding="utf-8")
    truth = HERE / "turbine_fit_truth.json"
    truth.write_text(json.dumps(answers(), indent=1) + "\n", encoding="utf-8")


def _undated(text: str) -> str:
    """A STEP file without the day on which it was written, so that the same solids give the same bytes."""
    head, mark, rest = text.partition("FILE_NAME(")
    parts = rest.split("'", 4)
    parts[3] = "2000-01-01T00:00:00"
    return head + mark + "'".join(parts)


if __name__ == "__main__":
    main()
