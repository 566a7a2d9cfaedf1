"""Mesh files in: one door for every form of file that a scan comes in."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import refuse_special
from pipeline.formats.meshes_out import ORIGIN_COMMENT, UNIT_COMMENTS
from pipeline.progress import Progress, silent
from pipeline.values import ORIGIN_NAMES

if TYPE_CHECKING:  # the readers, and the compiler with them, are brought along by the files that need them
    from pipeline.formats.meshes_in.ply import PlyMesh

FORMS = (".stl", ".ply", ".obj", ".off", ".3mf", ".glb", ".gltf", ".xyz", ".csv", ".asc", ".pts", ".e57")
_TEXT_POINTS = (".xyz", ".csv", ".asc", ".pts")
# mm: a place further out is no part's, and its square is still a number.
_FAR = 1e30
_WIDTH_OF_A_LINE = 1e-6  # of its coordinates: what single precision leaves of points on a line is less
# A fan of a CAD export has a few hundred. Whether facets cross is looked for in their boxes, and those of needles about
# one point lie in each other: time grows with the square of their number.
_MOST_ABOUT_A_VERTEX = 2_000


@dataclass(frozen=True)
class MeshFile:
    """What a mesh file holds.

    vertices  (n, 3) float64, equal points welded, in the file's unit, along the Morton curve
    faces     (m, 3) int32, as many as the file has, in the order of their corners
    unit      what the file states: "mm" | "cm" | "m" | "in" | "um" | "ft"; None for forms that state none
    sha256    of the file's bytes
    origin    (m,) uint8 as in `Surface`, of a PLY file that a run wrote; None for all others
    told      cautions: of a file of points what making facets of them came to
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    unit: str | None
    sha256: str
    origin: NDArray[np.uint8] | None = None
    told: tuple[str, ...] = ()


def read_mesh(path: str | Path, progress: Progress = silent) -> MeshFile:
    """Read a mesh file, by its extension: a `MeshFile` of vertices (n, 3) in the file's unit and faces (m, 3).

    Points without facets (PLY, text, E57) are triangulated, none of them moved (`mesh.points`).

    Raises InputError with one sentence when it is missing, unreadable, cut short, empty, of an unknown form, has
    no facets, no size, corners that do not exist or coordinates that are not finite numbers.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "corner.off"
    >>> _ = path.write_text('''OFF
    ... 4 1 0
    ... 0 0 0
    ... 10 0 0
    ... 0 10 0
    ... 99 99 99
    ... 3 0 1 2
    ... ''')
    >>> mesh = read_mesh(path)
    >>> mesh.vertices.tolist(), mesh.faces.tolist(), mesh.unit  # what no facet uses goes
    ([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 10.0, 0.0]], [[0, 1, 2]], None)
    """
    path = Path(path)
    form = form_of(path)
    with _told(path):
        return _read(path, form, progress)


def form_of(path: Path) -> str:
    """The extension of a scan's file that is there, is none but a file, has something in it, and is of a known form.

    Raises InputError, as `read_mesh` does, where it is not; nothing of it is read.

    >>> form_of(Path("nowhere.stl"))
    Traceback (most recent call last):
    pipeline.errors.InputError: There is no file nowhere.stl; check the name and the folder.
    """
    form = path.suffix.lower()
    with _told(path):
        if path.is_dir():
            raise InputError(f"{path} is a folder; give the scan's mesh file in it.")
        if form not in FORMS:
            raise InputError(f"{path} has an extension that is not known; save the scan as one of: {' '.join(FORMS)}.")
        refuse_special(path)
        if path.stat().st_size == 0:
            raise InputError(f"{path} is empty; export or copy it again.")
    return form


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """What keeps a file from being read, as one sentence."""
    try:
        yield
    except FileNotFoundError:
        raise InputError(f"There is no file {path}; check the name and the folder.") from None
    except OSError as error:
        raise InputError(
            f"{path} can't be read ({error.strerror or error}); check the file and its permissions."
        ) from None
    except MemoryError:
        raise InputError(
            f"{path} does not fit into this machine's memory; thin the scan out or use a bigger machine."
        ) from None


def _read(path: Path, form: str, progress: Progress) -> MeshFile:
    unit = digest = origin = None
    told: tuple[str, ...] = ()
    if form in (*_TEXT_POINTS, ".e57"):
        vertices, faces, told = _of_points(path, *_scattered(path, form), progress)
        # ASTM E2807: all lengths are metres.
        unit = "m" if form == ".e57" else None
    elif form == ".ply":
        from pipeline.formats.meshes_in.ply import read_ply

        ply = read_ply(path)
        if ply.scattered:
            vertices, faces, told = _of_points(path, ply.points, ply.normals, progress)
        else:
            points, faces, unit, origin = _told_by_us(path, ply)
            vertices, faces = _checked_and_welded(path, points, faces)
    elif form == ".stl":
        from pipeline.formats.meshes_in.stl import read_stl

        vertices, faces, digest = read_stl(path, progress)
    else:
        points, faces, unit = _indexed(path, form)
        vertices, faces = _checked_and_welded(path, points, faces)
    progress(0.95, "checking")
    if digest is None:
        with open(path, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    if len(faces) == 0:
        raise InputError(f"{path} holds no facets; give the scan as a triangle mesh.")
    _check_finite(path, vertices)
    if not (np.ptp(vertices, axis=0) > 0).any():
        raise InputError(f"{path} has no size: all its facets lie in one point; export the scan again.")
    _check_fans(path, vertices, faces)
    from pipeline.mesh.topology import in_morton_order

    if _on_a_line(vertices, faces):
        raise InputError(f"{path} has no area: all its facets lie along one line; export the scan again.")

    # Nothing that is made of the mesh hangs on the order that the file has it in.
    vertices, faces, stood = in_morton_order(vertices, faces)
    origin = None if origin is None else origin[stood]
    return MeshFile(vertices, faces, unit, digest, origin, told)


def _scattered(path: Path, form: str) -> tuple[NDArray, NDArray | None]:
    """Points, and their normals or directions to the scanner where the file has any."""
    if form == ".e57":
        from pipeline.formats.meshes_in.e57_points import read_e57

        return read_e57(path)
    from pipeline.formats.meshes_in.text_points import read_text_points

    return read_text_points(path)


def _of_points(
    path: Path, points: NDArray, normals: NDArray | None, progress: Progress
) -> tuple[NDArray[np.float64], NDArray[np.int32], tuple[str, ...]]:
    """The surface on the points, and what is to be known of it."""
    from pipeline.mesh.points import triangulated
    from pipeline.mesh.repair import weld_points
    from pipeline.mesh.topology import compact, morton_order

    _check_finite(path, points)
    count = len(points)
    points, index = weld_points(points)
    if len(points) < 3 or not (np.ptp(points, axis=0) > 0).any() or np.abs(points).max() > _FAR:
        raise InputError(f"{path}: its {count:,} points make no surface; export the scan again.")
    order = morton_order(points)
    points = points[order]
    if normals is not None:
        first = np.zeros(len(points), dtype=np.int64)
        first[index[::-1]] = np.arange(count)[::-1]
        normals = np.nan_to_num(normals[first[order]].astype(np.float64), posinf=0.0, neginf=0.0)
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    made = triangulated(points, normals, progress)
    if not len(made.faces):
        raise InputError(
            f"{path}: no three of its {count:,} points make a facet with each other; they are too sparse for a surface."
        )
    vertices, faces, _ = compact(points, made.faces)
    told = [
        f"The file holds points without facets: {len(faces):,} facets were made of them, no point moved, "
        f"{made.closed:,} of these over holes too narrow for the points to tell; {count - len(vertices):,} of its "
        f"{count:,} points are in none, as doubles or apart from the rest."
    ]
    if not made.sure:
        told.append(
            "Nothing tells which side of these points is outside: check that bores are called bores, or export the "
            "points with normals."
        )
    return vertices, faces, tuple(told)


def _indexed(path: Path, form: str) -> tuple[NDArray, NDArray[np.int32], str | None]:
    if form in (".obj", ".off"):
        from pipeline.formats.meshes_in.text_meshes import read_obj, read_off

        return *(read_obj(path) if form == ".obj" else read_off(path)), None
    if form == ".3mf":
        from pipeline.formats.meshes_in.three_mf import read_3mf

        return read_3mf(path)
    from pipeline.formats.meshes_in.gltf import read_gltf

    # glTF 2.0, section 3.4: all lengths are metres.
    return *read_gltf(path), "m"


def _told_by_us(path: Path, mesh: PlyMesh) -> tuple[NDArray, NDArray[np.int32], str | None, NDArray[np.uint8] | None]:
    """Of a PLY file that a run wrote also its unit, and which of its facets were measured."""
    if ORIGIN_COMMENT not in mesh.comments:
        return mesh.points, mesh.faces, None, None
    if mesh.origin is None or len(mesh.origin) != len(mesh.faces) or (mesh.origin >= len(ORIGIN_NAMES)).any():
        raise InputError(
            f"{path}: its header says that its facets tell whether they were measured or filled, but they don't; give "
            "the file as datumlift wrote it."
        )
    stated = [text.rpartition(" ")[2] for text in mesh.comments if text.startswith(UNIT_COMMENTS)]
    return mesh.points, mesh.faces, next((unit for unit in stated if unit in ("mm", "in")), None), mesh.origin


def _checked_and_welded(
    path: Path, points: NDArray, faces: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    from pipeline.mesh.repair import weld_points
    from pipeline.mesh.topology import compact

    if len(faces) and (faces.min() < 0 or faces.max() >= len(points)):
        bad = int(np.argmax(((faces < 0) | (faces >= len(points))).any(axis=1)))
        raise InputError(
            f"{path}: facet {bad + 1:,} has a corner that does not exist (there are {len(points):,} vertices); "
            "export the scan again."
        )
    vertices, index = weld_points(points)
    vertices, faces, _ = compact(vertices, index[faces])
    return vertices, faces


def _on_a_line(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> bool:
    """Whether no facet is wider than single precision leaves facets on a line; a thousand tell it of nearly all meshes
    that have some. A facet by its own coordinates: one that is thrown far out says nothing of the others."""
    for step in (max(1, len(faces) // 1000), 1):
        corners = vertices[faces[::step]]
        corners = corners / np.maximum(np.abs(corners).max(axis=(1, 2), keepdims=True), 1e-300)
        along, across = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        size = np.maximum(np.linalg.norm(along, axis=1), np.linalg.norm(across, axis=1))
        if (np.linalg.norm(np.cross(along, across), axis=1) > _WIDTH_OF_A_LINE * size).any():
            return False
    return True


def _check_fans(path: Path, vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> None:
    """What is looked for about a vertex is looked for among all facets there, so that these may not be too many."""
    from pipeline.mesh.topology import corner_counts

    there = corner_counts(faces, len(vertices))
    worst = int(there.argmax())
    if there[worst] > _MOST_ABOUT_A_VERTEX:
        place = ", ".join(f"{x:.6g}" for x in vertices[worst])
        raise InputError(
            f"{path}: {there[worst]:,} facets meet in one point, [{place}], where {_MOST_ABOUT_A_VERTEX:,} may at "
            "most; a scan has some six: mesh it anew, with facets of about one size."
        )


def _check_finite(path: Path, vertices: NDArray[np.float64]) -> None:
    good = np.isfinite(vertices).all(axis=1)
    if not good.all():
        raise InputError(
            f"{path}: {np.count_nonzero(~good):,} of its {len(vertices):,} vertices have a coordinate that is not "
            "a finite number; repair or export the scan again."
        )
