"""A bored block before and after cuts, as exact solids made scans of: what was made may be off what was planned.

The block reaches from [-45, -35, -30] to [45, 35, 30] mm, has a bore of 32 mm along x and four holes along z. The cuts:
2 mm faced off its top, a seat of 42 mm in the end at x = 45, 30 mm deep, and a hole of 12 mm.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.TopoDS import TopoDS_Shape

from pipeline.formats.meshes_out import write_stl
from tests.scans import OpenPart, from_brep, scan_like

HOLES = ((30.0, 28.0, 4.0), (-32.0, 24.0, 5.0), (-20.0, -27.0, 3.5), (12.0, -28.0, 3.0))
PLACES = {
    "top": (0.0, 0.0, 30.0),
    "bore": (0.0, 0.0, 16.0),
    "end": (45.0, 30.0, 0.0),
    "under": (0.0, 0.0, -30.0),
    "drain": (0.0, 27.0, -30.0),
}


def layout(source: str, to_part: NDArray[np.float64] | None = None) -> str:
    """A layout that plans the cuts; `source` is how it says where the part comes from, `to_part` (4, 4) moves the
    block's coordinates to that part's."""
    move = np.eye(4) if to_part is None else to_part
    at = {name: [round(float(v), 4) for v in move[:3, :3] @ p + move[:3, 3]] for name, p in PLACES.items()}
    return f"""
[part.block]
{source}

[[cut]]
part = "block"
name = "top"
facing = {{ face = "face nearest {at["top"]}", take = 2.0 }}

[[cut]]
part = "block"
name = "seat"
counterbore = {{ axis = "bore nearest {at["bore"]}", diameter = 42.0, face = "face nearest {at["end"]}", depth = 30.0 }}
wall = 5

[[cut]]
part = "block"
name = "drain"
holes = {{ face = "face nearest {at["under"]}", diameter = 12.0, at = [{at["drain"]}], through = true }}
"""


def block() -> TopoDS_Shape:
    """Before the cuts."""
    return _without(
        _box(30.0), [_round((-60, 0, 0), (1, 0, 0), 16.0), *(_round((x, y, -60), (0, 0, 1), r) for x, y, r in HOLES)]
    )


def cut_block(top: float = 0.0, floor: float = 0.0, seat: float = 0.0, drain: float = 0.0) -> TopoDS_Shape:
    """After them: mm of metal left on top and on the seat's floor, by which the seat's diameter is too large, and by
    which the hole stands off along x."""
    return _without(
        _box(28.0 + top),
        [
            _round((-60, 0, 0), (1, 0, 0), 16.0),
            _round((15.0 + floor, 0, 0), (1, 0, 0), 21.0 + 0.5 * seat),
            *(_round((x, y, -60), (0, 0, 1), r) for x, y, r in (*HOLES, (drain, 27.0, 6.0))),
        ],
    )


def write_scan(path: Path, shape: TopoDS_Shape, edge: float, seed: int) -> NDArray[np.float64]:
    """A scan of a solid as STL, wherever it lies; the (4, 4) from the block's coordinates to the scan's."""
    brep = path.with_suffix(".brep")
    BRepTools.Write_s(shape, str(brep))
    scan = scan_like(OpenPart(path.stem, brep, *from_brep(brep)), edge, seed=seed)
    write_stl(path, scan.vertices, scan.faces, "mm")
    return scan.to_scan


def _box(top: float) -> TopoDS_Shape:
    return BRepPrimAPI_MakeBox(gp_Pnt(-45, -35, -30), gp_Pnt(45, 35, top)).Shape()


def _round(point: tuple[float, float, float], along: tuple[float, float, float], radius: float) -> TopoDS_Shape:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*point), gp_Dir(*along)), radius, 120.0).Shape()


def _without(shape: TopoDS_Shape, tools: list[TopoDS_Shape]) -> TopoDS_Shape:
    for tool in tools:
        shape = BRepAlgoAPI_Cut(shape, tool).Shape()
    return shape
