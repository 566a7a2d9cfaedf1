"""reference.step: faces, axes, points, datums and flange outlines as reference geometry for CAD (ISO 10303-21).

Everything is taken from the datum file, in part coordinates and millimetres; the light mesh only says how far
each face was seen. Each item is a product of its own, whose name is plain ASCII and begins with the feature's
id, and none is a solid. The same data give the same bytes: the header's time stamp is a fixed one.
"""

from __future__ import annotations

from pathlib import Path

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Controller
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_DocumentTool

from pipeline.formats.datum_file import DatumFile
from pipeline.formats.step.items import Seen, items, label_of

SCHEMAS = {"AP242": "AP242DIS", "AP214": "AP214IS"}

_FIXED_TIME = "2000-01-01T00:00:00"


def write_step(path: Path, data: DatumFile, seen: Seen, schema: str = "AP242") -> tuple[str, ...]:
    """Write the reference geometry of a datum file. schema: "AP242" | "AP214".

    Returns the ids of features that got no face, because the light mesh has nothing of them or the kernel can't
    make a valid one of what it has. Raises OSError when the place can't be written.
    """
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().NewDocument(TCollection_ExtendedString("BinXCAF"), document)
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    layers = XCAFDoc_DocumentTool.LayerTool_s(document.Main())
    drawn = set()
    for layer, name, shape in items(data, seen):
        drawn.add(name)
        label = shapes.AddShape(shape, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        layers.SetLayer(label, TCollection_ExtendedString(layer))
    STEPControl_Controller.Init_s()  # which sets defaults: before our own settings, or they would be lost
    settings = {"write.step.schema": SCHEMAS[schema], "write.step.unit": "MM"}
    for key, value in settings.items():
        Interface_Static.SetCVal_s(key, value)
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    writer.SetLayerMode(True)
    if not writer.Transfer(document, STEPControl_AsIs):
        raise OSError(5, "the CAD kernel could not turn the reference geometry into STEP")
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString("reference.step"))
    header.SetTimeStamp(TCollection_HAsciiString(_FIXED_TIME))
    header.SetAuthorValue(1, TCollection_HAsciiString("datumlift"))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetOriginatingSystem(TCollection_HAsciiString("datumlift"))
    header.SetDescriptionValue(1, TCollection_HAsciiString("Reference geometry recovered from a scan, no solid"))
    if writer.Write(str(path)) != IFSelect_RetDone:
        raise OSError(5, "the CAD kernel could not write the STEP file")
    return tuple(f.id for f in data.features if f"{label_of(f)} face" not in drawn)
