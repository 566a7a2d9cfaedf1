"""reference.step: faces, axes, points, datums and flange outlines as reference geometry for CAD (ISO 10303-21).

Everything is taken from the datum file, in part coordinates and millimetres; the light mesh only says how far
each face was seen. Each item is a product of its own, whose name is plain ASCII and begins with the feature's
id, and none is a solid. The same data give the same bytes: the header's time stamp is a fixed one.
"""

from __future__ import annotations

from pathlib import Path

from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.XCAFDoc import XCAFDoc_DocumentTool

from pipeline.formats.datum_file import DatumFile
from pipeline.formats.step.document import empty_document, write_document
from pipeline.formats.step.items import Seen, items, label_of


def write_step(path: Path, data: DatumFile, seen: Seen, schema: str = "AP242") -> tuple[str, ...]:
    """Write the reference geometry of a datum file. schema: "AP242" | "AP214", KeyError otherwise.

    Returns the ids of features that got no face, because the light mesh has nothing of them or the kernel can't
    make a valid one of what it has. Raises OSError when the place can't be written.

    >>> import tempfile
    >>> import numpy as np
    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> datums = build(outcome()).model_copy(update={"flanges": (), "patterns": ()})
    >>> one = datums.model_copy(update={"features": datums.features[:1]})
    >>> nothing = Seen(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32), np.zeros(0, dtype=np.int32))
    >>> write_step(Path(tempfile.mkdtemp()) / "reference.step", one, nothing)
    ('plane-1',)
    """
    document = empty_document()
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    layers = XCAFDoc_DocumentTool.LayerTool_s(document.Main())
    drawn = set()
    for layer, name, shape in items(data, seen):
        drawn.add(name)
        label = shapes.AddShape(shape, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        layers.SetLayer(label, TCollection_ExtendedString(layer))
    what = "Reference geometry recovered from a scan, no solid"
    write_document(path, document, "reference.step", "reference geometry", what, schema)
    return tuple(f.id for f in data.features if f"{label_of(f)} face" not in drawn)
