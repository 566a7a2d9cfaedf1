"""A solid of the kernel's as plain values, for another run."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from OCP.BinTools import BinTools
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.TopoDS import TopoDS_Shape

from pipeline.formats.solid.cuts import NamedBody, faces_of
from pipeline.formats.solid.document import Named
from pipeline.geometry import Bytes
from pipeline.palette import Colour


@dataclass(frozen=True)
class KeptSolid:
    """data: the kernel's binary form; faces: of each that has a name or a colour, which it is, and these."""

    data: Bytes
    faces: tuple[tuple[int, str, Colour | None], ...]


def kept_solid(body: NamedBody) -> KeptSolid:
    """A solid as plain values. Below, a peg and its seat.

    >>> from pipeline.formats.solid.cuts import round_tool
    >>> peg = round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0)
    >>> again = solid_again(kept_solid(NamedBody(peg, (Named(faces_of(peg)[0], "seat", None),))))
    >>> round(again.volume, 6), again.faces[0].name
    (1570.796327, 'seat')
    """
    order = FaceMap()
    for face in faces_of(body.shape):
        order.Add(face)
    named = tuple((order.FindIndex(n.face) - 1, n.name, n.colour) for n in body.faces if order.Contains(n.face))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "solid.bin"
        BinTools.Write_s(body.shape, str(path))
        return KeptSolid(np.frombuffer(path.read_bytes(), np.uint8), named)


def solid_again(kept: KeptSolid) -> NamedBody:
    """The solid that was kept.

    >>> from pipeline.formats.solid.cuts import round_tool
    >>> peg = round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0)
    >>> solid_again(kept_solid(NamedBody(peg, ()))).shape.ShapeType() == peg.ShapeType()
    True
    """
    shape = TopoDS_Shape()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "solid.bin"
        path.write_bytes(kept.data.tobytes())
        BinTools.Read_s(shape, str(path))
    order = FaceMap()
    for face in faces_of(shape):
        order.Add(face)
    faces = [Named(order.FindKey(k + 1), name, None if c is None else (c[0], c[1], c[2])) for k, name, c in kept.faces]
    return NamedBody(shape, tuple(faces))
