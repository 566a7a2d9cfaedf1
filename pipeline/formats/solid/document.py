"""STEP in and out (ISO 10303-21): a body whose faces have names and colours; the same body gives the same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.collections import Sequence_TDF_Label as Labels
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Reader
from OCP.STEPControl import STEPControl_Reader
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from pipeline.formats.step import empty_document, write_document
from pipeline.palette import Colour


@dataclass(frozen=True)
class Named:
    """A face of the kernel's (`face`), its `name` in plain ASCII, and its `colour`, sRGB 0..255; None: the body's."""

    face: Any
    name: str
    colour: Colour | None


def write_body(
    path: Path, body: Any, name: str, colour: Colour, faces: Iterable[Named], what: str, schema: str = "AP242"
) -> None:
    """Write a body. what: one line on it for the header; schema: "AP242" | "AP214".

    Raises OSError when the place can't be written.
    """
    document = empty_document()
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    label = shapes.AddShape(body, False)
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
    surface = XCAFDoc_ColorType.XCAFDoc_ColorSurf
    colours.SetColor(label, _colour(colour), surface)
    for named in faces:
        part = shapes.AddSubShape(label, named.face)
        TDataStd_Name.Set_s(part, TCollection_ExtendedString(named.name))
        if named.colour is not None:
            colours.SetColor(part, _colour(named.colour), surface)
    write_document(path, document, path.name, "solid", what, schema)


def _colour(colour: Colour) -> Quantity_Color:
    return Quantity_Color(*(c / 255 for c in colour), Quantity_TOC_sRGB)


def read_body(path: Path) -> Any:
    """The one shape of a STEP file, in mm whatever its unit. Raises OSError when it can't be read.

    Below, a peg of 10 mm, 20 mm long, written and read.

    >>> import tempfile
    >>> from pipeline.formats.solid.cuts import NamedBody, round_tool, write_solid
    >>> path = Path(tempfile.mkdtemp()) / "peg.step"
    >>> write_solid(path, NamedBody(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0), ()), "peg", "a peg")
    >>> read_body(path).ShapeType().name
    'TopAbs_SOLID'
    """
    return _read(path).OneShape()


def read_named(path: Path) -> tuple[Any, tuple[Named, ...]]:
    """The one shape of a STEP file and its faces, with the names and colours that stand in it; "" and None where there
    are none. Raises OSError as `read_body`."""
    document, reader = empty_document(), STEPCAFControl_Reader()
    Interface_Static.SetIVal_s("read.stepcaf.subshapes.name", 1)
    if reader.ReadFile(str(path)) != IFSelect_RetDone or not reader.Transfer(document):
        raise OSError(5, f"the CAD kernel could not read {path.name}")
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    bodies, faces = Labels(), FaceMap()
    told: list[tuple[str, Colour | None]] = []
    shapes.GetFreeShapes(bodies)
    for body in range(1, bodies.Length() + 1):
        parts = Labels()
        shapes.GetSubShapes_s(bodies.Value(body), parts)
        for k in range(1, parts.Length() + 1):
            name, seen = TDataStd_Name(), Quantity_Color()
            part = shapes.GetShape_s(parts.Value(k))
            if faces.Add(part) > len(told):
                named = parts.Value(k).FindAttribute(TDataStd_Name.GetID_s(), name)
                coloured = colours.GetColor(part, XCAFDoc_ColorType.XCAFDoc_ColorSurf, seen)
                told.append((name.Get().ToExtString() if named else "", _seen(seen) if coloured else None))
    shape = shapes.GetOneShape()
    found, walk = [], TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        number = faces.FindIndex(walk.Current())
        found.append(Named(walk.Current(), *(told[number - 1] if number else ("", None))))
        walk.Next()
    return shape, tuple(found)


def _seen(colour: Quantity_Color) -> Colour:
    red, green, blue = (round(255 * c) for c in colour.Values(Quantity_TOC_sRGB))
    return red, green, blue


def _read(path: Path) -> STEPControl_Reader:
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_RetDone:
        raise OSError(5, f"the CAD kernel could not read {path.name}")
    reader.TransferRoots()
    return reader
