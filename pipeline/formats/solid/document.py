"""STEP in and out (ISO 10303-21): a body whose faces have names and colours; the same body gives the same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Controller, STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Reader
from OCP.StepShape import StepShape_AdvancedFace
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

SCHEMAS = {"AP242": "AP242DIS", "AP214": "AP214IS"}
_FIXED_TIME = "2000-01-01T00:00:00"
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Named:
    """A face of the kernel's, its name in plain ASCII, and its colour, sRGB 0..255; None: that of the body."""

    face: Any
    name: str
    colour: Colour | None


def write_body(
    path: Path, body: Any, name: str, colour: Colour, faces: Iterable[Named], what: str, schema: str = "AP242"
) -> None:
    """Write a body. what: one line on it for the header; schema: "AP242" | "AP214".

    Raises OSError when the place can't be written.
    """
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().NewDocument(TCollection_ExtendedString("BinXCAF"), document)
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
    STEPCAFControl_Controller.Init_s()  # which sets defaults: before our own settings, or they would be lost
    for key, value in {"write.step.schema": SCHEMAS[schema], "write.step.unit": "MM"}.items():
        Interface_Static.SetCVal_s(key, value)
    # Curves in parameters double the file, and readers make them anew.
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    writer.SetColorMode(True)
    if not writer.Transfer(document, STEPControl_AsIs):
        raise OSError(5, "the CAD kernel could not turn the solid into STEP")
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString(path.name))
    header.SetTimeStamp(TCollection_HAsciiString(_FIXED_TIME))
    header.SetAuthorValue(1, TCollection_HAsciiString("datumlift"))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetOriginatingSystem(TCollection_HAsciiString("datumlift"))
    header.SetDescriptionValue(1, TCollection_HAsciiString(what))
    if writer.Write(str(path)) != IFSelect_RetDone:
        raise OSError(5, "the CAD kernel could not write the STEP file")


def _colour(colour: Colour) -> Quantity_Color:
    return Quantity_Color(*(c / 255 for c in colour), Quantity_TOC_sRGB)


def read_body(path: Path) -> Any:
    """The one shape of a STEP file. Raises OSError when it can't be read."""
    return _read(path).OneShape()


def read_named(path: Path) -> tuple[Any, tuple[Named, ...]]:
    """The one shape of a STEP file and its faces with the names that stand in it. Raises OSError as `read_body`."""
    reader = _read(path)
    shape, transfer = reader.OneShape(), reader.WS().TransferReader()
    found = []
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        entity = transfer.EntityFromShapeResult(walk.Current(), 1)
        name = entity.Name().ToCString() if isinstance(entity, StepShape_AdvancedFace) else ""
        found.append(Named(walk.Current(), name, None))
        walk.Next()
    return shape, tuple(found)


def _read(path: Path) -> STEPControl_Reader:
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_RetDone:
        raise OSError(5, f"the CAD kernel could not read {path.name}")
    reader.TransferRoots()
    return reader
