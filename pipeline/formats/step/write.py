"""datums.step: faces, axes, points, datums and flange outlines as supplemental geometry (ISO 16792) for CAD, in STEP
(ISO 10303-21).

Everything is taken from the datum file, in part coordinates and millimetres; the light mesh only says how far
each face was seen. Each item is a product of its own, whose name is plain ASCII and begins with the feature's
id, and none is a solid; all are in one assembly, in sub-assemblies by what they are. The same data give the same bytes:
the header's time stamp is a fixed one.
"""

from __future__ import annotations

from pathlib import Path

from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_Label
from OCP.TopLoc import TopLoc_Location
from OCP.XCAFDoc import XCAFDoc_DocumentTool

from pipeline.formats.datum_file import DatumFile
from pipeline.formats.step.document import empty_document, write_document
from pipeline.formats.step.items import Seen, items, label_of

ROOT = "supplemental geometry"


def write_step(path: Path, data: DatumFile, seen: Seen, schema: str = "AP242") -> tuple[str, ...]:
    """Write the supplemental geometry of a datum file. schema: "AP242" | "AP214", KeyError otherwise.

    Returns the ids of features that got no face, because the light mesh has nothing of them or the kernel can't
    make a valid one of what it has. Raises OSError when the place can't be written.

    >>> import tempfile
    >>> import numpy as np
    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> datums = build(outcome()).model_copy(update={"flanges": (), "patterns": ()})
    >>> one = datums.model_copy(update={"features": datums.features[:1]})
    >>> nothing = Seen(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32), np.zeros(0, dtype=np.int32))
    >>> write_step(Path(tempfile.mkdtemp()) / "datums.step", one, nothing)
    ('plane-1',)
    """
    document = empty_document()
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    layers = XCAFDoc_DocumentTool.LayerTool_s(document.Main())
    drawn = set()

    def named(label: TDF_Label, name: str) -> TDF_Label:
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        return label

    def component(assembly: TDF_Label, label: TDF_Label, name: str) -> None:
        named(shapes.AddComponent(assembly, label, TopLoc_Location()), name)

    root = named(shapes.NewShape(), ROOT)
    assemblies: dict[str, TDF_Label] = {}
    for item in items(data, seen):
        drawn.add(item.name)
        label = named(shapes.AddShape(item.shape, False), item.name)
        layers.SetLayer(label, TCollection_ExtendedString(item.layer))
        if item.assembly not in assemblies:
            assemblies[item.assembly] = named(shapes.NewShape(), item.assembly)
        component(assemblies[item.assembly], label, item.name)
    for name, assembly in assemblies.items():
        component(root, assembly, name)
    shapes.UpdateAssemblies()
    what = "Supplemental geometry recovered from a scan, no solid"
    write_document(path, document, "datums.step", "supplemental geometry", what, schema)
    return tuple(f.id for f in data.features if f"{label_of(f)} face" not in drawn)
