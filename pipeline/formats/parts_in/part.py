"""A part of a layout as a body, wherever it comes from."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.fitup import Body, plate_body, turned_body
from pipeline.formats.meshes_in import read_mesh
from pipeline.formats.parts_in.run_folder import body_of_run
from pipeline.geometry import MM_PER_UNIT
from pipeline.layout import Part
from pipeline.mesh.topology import facet_neighbours
from pipeline.values import Surface

_STEP = (".step", ".stp")
_WITHOUT_UNIT = (".stl", ".ply", ".obj", ".off")


def read_part(name: str, part: Part) -> Body:
    """The body of a part by its name in the layout.

    Raises InputError when a file or folder isn't what it should be, SettingsError where figures make no plate.

    >>> rod = read_part("rod", Part(turned=[(0, 20), (50, 20)], uncertainty=0.01))
    >>> [feature.id for feature in rod.features], rod.closed
    (['start', 'end', 'step 1'], True)
    """
    if part.run is not None:
        return body_of_run(name, part.run)
    uncertainty = part.uncertainty or 0.0
    if part.turned is not None:
        return turned_body(name, part.turned, uncertainty)
    if part.plate is not None:
        return plate_body(name, part.plate, uncertainty)
    assert part.file is not None
    if part.file.suffix.lower() in _STEP:
        # The CAD kernel takes a second to import.
        from pipeline.formats.parts_in.step import body_of_step

        return body_of_step(name, part.file, uncertainty)
    return _of_mesh(name, part.file, part.units, uncertainty)


def assumes_unit(part: Part) -> bool:
    """Whether the unit of a part's file is neither in the file nor in the layout.

    >>> assumes_unit(Part(file="a.stl", uncertainty=0)), assumes_unit(Part(file="a.stl", units="in", uncertainty=0))
    (True, False)
    """
    return part.file is not None and part.file.suffix.lower() in _WITHOUT_UNIT and part.units == "auto"


def _of_mesh(name: str, path: Path, units: str, uncertainty: float) -> Body:
    mesh = read_mesh(path)
    unit = mesh.unit or "mm" if units == "auto" else units
    surface = Surface.measured(mesh.vertices * MM_PER_UNIT[unit], mesh.faces)
    none = np.full(surface.facets, -1, np.int32)
    closed = bool((facet_neighbours(surface.faces, len(surface.vertices)) >= 0).all())
    return Body(name, surface, none, (), skin=uncertainty, closed=closed)
