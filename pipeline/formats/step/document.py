"""STEP out (ISO 10303-21): a document of shapes with names, and its file; the same document gives the same bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.collections import Sequence_TDF_Label as Labels
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.STEPCAFControl import STEPCAFControl_Controller, STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs
from OCP.StepRepr import StepRepr_NextAssemblyUsageOccurrence
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDocStd import TDocStd_Document
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

_SCHEMAS = {"AP242": "AP242DIS", "AP214": "AP214IS"}
# The kernel would write the time of day.
_FIXED_TIME = "2000-01-01T00:00:00"


def empty_document() -> Any:
    """A document of the CAD kernel's without shapes; the kernel is kept from printing.

    >>> empty_document().StorageFormat().ToExtString()
    'BinXCAF'
    """
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().NewDocument(TCollection_ExtendedString("BinXCAF"), document)
    return document


def write_document(path: Path, document: Any, file: str, subject: str, what: str, schema: str) -> None:
    """Write a document with names, layers and colours, in mm.

    file     its name, for the header
    subject  what it is, for the message where the kernel can't turn it into STEP
    what     one line on it for the header
    schema   "AP242" | "AP214", KeyError otherwise

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    >>> from OCP.XCAFDoc import XCAFDoc_DocumentTool
    >>> document, path = empty_document(), Path(tempfile.mkdtemp()) / "box.step"
    >>> _ = XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).AddShape(BRepPrimAPI_MakeBox(1, 2, 3).Shape(), False)
    >>> write_document(path, document, "box.step", "box", "A box", "AP242")
    >>> path.read_text().count("ADVANCED_FACE")
    6
    """
    STEPCAFControl_Controller.Init_s()  # which sets defaults: before our own settings, or they would be lost
    for key, value in {"write.step.schema": _SCHEMAS[schema], "write.step.unit": "MM"}.items():
        Interface_Static.SetCVal_s(key, value)
    # Curves in parameters double the file, and readers make them anew.
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    # Points of an assembly would be put into one nameless product.
    Interface_Static.SetIVal_s("write.step.vertex.mode", 1)
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    writer.SetLayerMode(True)
    writer.SetColorMode(True)
    if not writer.Transfer(document, STEPControl_AsIs):
        raise OSError(5, f"the CAD kernel could not turn the {subject} into STEP")
    model = writer.ChangeWriter().Model()
    if _has_assembly(document):
        _number_occurrences(model)
    header = APIHeaderSection_MakeHeader(model)
    header.SetName(TCollection_HAsciiString(file))
    header.SetTimeStamp(TCollection_HAsciiString(_FIXED_TIME))
    header.SetAuthorValue(1, TCollection_HAsciiString("datumlift"))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetOriginatingSystem(TCollection_HAsciiString("datumlift"))
    header.SetDescriptionValue(1, TCollection_HAsciiString(what))
    if writer.Write(str(path)) != IFSelect_RetDone:
        raise OSError(5, "the CAD kernel could not write the STEP file")


def _has_assembly(document: Any) -> bool:
    roots = Labels()
    XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).GetFreeShapes(roots)
    return any(XCAFDoc_ShapeTool.IsAssembly_s(roots.Value(k)) for k in range(1, roots.Length() + 1))


def _number_occurrences(model: Any) -> None:
    """Ids of the components of assemblies from 1 on: the kernel counts them on from one file to the next."""
    entities = (model.Value(k) for k in range(1, model.NbEntities() + 1))
    for number, found in enumerate((e for e in entities if isinstance(e, StepRepr_NextAssemblyUsageOccurrence)), 1):
        found.SetId(TCollection_HAsciiString(str(number)))
