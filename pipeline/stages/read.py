"""First stage: the scan file becomes a welded surface in millimetres, with what can be seen of it at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, printable
from pipeline.features.uncertainty import white_sigma
from pipeline.formats.meshes_in import MeshFile, read_mesh
from pipeline.geometry import MM_PER_UNIT, box_of
from pipeline.job import ReadSettings
from pipeline.lengths import mm
from pipeline.mesh.topology import compact, duplicate_facets, facet_areas, mean_edge
from pipeline.progress import Progress, silent
from pipeline.values import ReadResult, Source, Surface

_NAMES = {
    "um": "micrometres",
    "mm": "millimetres",
    "cm": "centimetres",
    "m": "metres",
    "in": "inches",
    "ft": "feet",
}

TESSELLATION = (
    "This mesh has no noise at all: it is a tessellation, as CAD exports, and no scan. Its uncertainties and form "
    "errors say how exactly its facets were drawn, and nothing of a real part."
)

# mm: what someone scans of machined castings goes from a small valve's cover to a machine's bed: common practice,
# no source. Outside of it the unit is more likely wrong than the part odd.
USUAL_SIZE = (25.0, 4000.0)
# Outside of this the unit is wrong or the file is: nothing that is scanned is so small or so large.
POSSIBLE_SIZE = (0.1, 1e6)
# A vertex so many times as far out as 99 % of the others was thrown there; of so many vertices that is found out.
_FAR = 1e4
_SAMPLE = 100_000


def read(path: Path, settings: ReadSettings, progress: Progress, sha256: str | None = None) -> ReadResult:
    """Read and weld a scan, convert it to mm, and estimate its noise and edge length.

    sha256  of the file when the run began, by which its results are known; None where they are not kept

    Raises InputError with one sentence where the file is not a usable mesh, or was changed meanwhile.
    """
    mesh = read_mesh(path, progress)
    if sha256 not in (None, mesh.sha256):
        raise InputError(f"{path} was changed while it was read; wait until it is written, then run it again.")
    unit = settings.units if settings.units != "auto" else mesh.unit or "mm"
    factor = MM_PER_UNIT[unit]
    mesh, vertices, strays = _in_mm(path, mesh, unit, settings.units == "auto")
    progress(0.96, "estimating the noise")
    low, high = box_of(vertices)
    source = Source(
        file=printable(Path(path).name),
        sha256=mesh.sha256,
        facets=len(mesh.faces),
        vertices=len(vertices),
        unit=unit,
        unit_factor=factor,
        noise_sigma=_noise(vertices, mesh.faces),
        mean_edge=mean_edge(vertices, mesh.faces),
        bounds=(_triple(low), _triple(high)),
        scale_uncertainty=1e-3 * (settings.scale_uncertainty or 0.0),
    )
    if not facet_areas(vertices, mesh.faces).any():
        raise InputError(f"{path}: its facets have no area; export the scan again.")
    progress(1.0)
    cautions = (*mesh.told, *strays, *_cautions(settings, mesh.unit, unit, high - low))
    if source.noise_sigma == 0:
        cautions = (TESSELLATION, *cautions)
    return ReadResult(_surface(mesh, vertices), source, cautions)


def read_in_mm(path: Path, otherwise: str | None, progress: Progress = silent) -> Surface:
    """A mesh that is compared with a scan, welded and in mm; `otherwise` is its unit where the file states none.

    Raises InputError with one sentence where the file is not a usable mesh.
    """
    mesh = read_mesh(path, progress)
    mesh, vertices, _ = _in_mm(path, mesh, mesh.unit or otherwise or "mm", otherwise is None)
    return _surface(mesh, vertices)


def _in_mm(
    path: Path, mesh: MeshFile, unit: str, unasked: bool
) -> tuple[MeshFile, NDArray[np.float64], tuple[str, ...]]:
    """The mesh without what is thrown out far beyond it, its vertices (n, 3) in mm, and a caution on what went.

    unasked  the unit is not the user's word. Raises InputError where the rest has no size that a scan can have.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        vertices = mesh.vertices
        if MM_PER_UNIT[unit] != 1.0:
            vertices *= MM_PER_UNIT[unit]
        mesh, vertices, cautions = _without_strays(mesh, vertices)
        low, high = box_of(vertices)
        largest = float((high - low).max())
    if not POSSIBLE_SIZE[0] <= largest <= POSSIBLE_SIZE[1]:
        taken = f"{_NAMES[unit]}{' unasked' if unasked else ''}"
        guesses = _guesses(largest / MM_PER_UNIT[unit], unit)
        advice = (
            f"{guesses}give its unit with --units" if guesses else "no unit makes a casting of that: export it again"
        )
        raise InputError(
            f"{path}: taken in {taken} its largest side is {largest:.3g} mm, which no scan of a casting has; {advice}."
        )
    return mesh, vertices, cautions


def _without_strays(
    mesh: MeshFile, vertices: NDArray[np.float64]
) -> tuple[MeshFile, NDArray[np.float64], tuple[str, ...]]:
    """Without the facets that reach ten thousand times as far out as 99 % of the vertices, and a caution on them.

    A fault of the file has thrown them there; at their scale nothing could be told of the part.
    """
    some = vertices[:: max(1, len(vertices) // _SAMPLE)]
    middle = np.median(some, axis=0)
    reach = float(np.quantile(np.abs(some - middle).max(axis=1), 0.99))
    low, high = box_of(vertices)
    if not reach > 0 or max(float((high - middle).max()), float((middle - low).max())) <= _FAR * reach:
        return mesh, vertices, ()
    far = np.abs(vertices - middle).max(axis=1) > _FAR * reach
    gone = far[mesh.faces].any(axis=1)
    left, faces, _ = compact(vertices, mesh.faces[~gone])
    if len(faces) == 0:
        return mesh, vertices, ()
    origin = None if mesh.origin is None else mesh.origin[~gone]
    told = (
        f"{np.count_nonzero(gone):,} facets of the file reach more than {_FAR:,.0f} times as far out as the rest; "
        "they were taken away: look where the part lacks something, and scan it again there."
    )
    return replace(mesh, vertices=left, faces=faces, origin=origin), left, (told,)


def _surface(mesh: MeshFile, vertices: NDArray[np.float64]) -> Surface:
    """With what the file tells of its facets; what doesn't tell was measured."""
    surface = Surface.measured(vertices, mesh.faces)
    return surface if mesh.origin is None else Surface(surface.vertices, surface.faces, mesh.origin)


def _noise(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> float:
    sigma = white_sigma(vertices, faces)
    if sigma > 0:
        return sigma
    # Facets that are there twice lie in one plane and look like a tessellation's: try without them.
    twice = duplicate_facets(faces, len(vertices))
    return white_sigma(vertices, faces[~twice]) if twice.any() else sigma


def _triple(point: NDArray[np.float64]) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


def _cautions(settings: ReadSettings, stated: str | None, unit: str, size: NDArray[np.float64]) -> tuple[str, ...]:
    found = []
    if stated is not None and stated != unit:
        found.append(f"The file states {_NAMES[stated]}, but the job says {_NAMES[unit]}: the job was followed.")
    largest = float(size.max())
    if not USUAL_SIZE[0] <= largest <= USUAL_SIZE[1]:
        taken = "as the job says" if settings.units != "auto" else "as the file states" if stated else "unasked"
        found.append(
            f"Taken in {_NAMES[unit]} ({taken}) the scan is {' x '.join(mm(s, '.4g') for s in size)}, an unusual "
            f"size for a machined casting; {_guesses(largest / MM_PER_UNIT[unit], unit)}set units in the job's "
            "[read] or give --units if it is wrong."
        )
    return tuple(found)


def _guesses(largest: float, unit: str) -> str:
    """What the largest extent would be in the units in which it would be a usual size."""
    fitting = [
        f"{mm(MM_PER_UNIT[u] * largest, '.4g')} if it is in {_NAMES[u]}"
        for u in ("in", "cm", "m", "mm")
        if u != unit and USUAL_SIZE[0] <= MM_PER_UNIT[u] * largest <= USUAL_SIZE[1]
    ]
    return f"the largest side would be {', or '.join(fitting)}; " if fitting else ""
