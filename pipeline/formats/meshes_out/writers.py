"""Mesh files out: STL, PLY with labels, OBJ, 3MF and glTF binary. The same mesh gives the same bytes.

Vertices (n, 3) float64 and faces (m, 3) int32 come in the unit that is to be written, except for glTF, which
is in metres by its standard and takes millimetres here.
"""

from __future__ import annotations

import html
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import area_vectors
from pipeline.values import ORIGIN_NAMES

# By these lines in its header a PLY of ours is known: what its facets tell, and whose coordinates it has, in what unit.
ORIGIN_COMMENT = "origin: " + ", ".join(f"{number} {name}" for number, name in enumerate(ORIGIN_NAMES))
UNIT_COMMENTS = ("part coordinates, unit ", "scan coordinates, unit ")

_UNIT_NAMES = {"mm": "millimeter", "in": "inch"}
_CORE_3MF = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_XML = '<?xml version="1.0" encoding="UTF-8"?>\n'


def write_stl(path: Path, vertices: NDArray[np.float64], faces: NDArray[np.int32], unit: str) -> None:
    """Binary STL of vertices (n, 3), faces (m, 3). It has no place for a unit: its header says it, for people.

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "facet.stl"
    >>> write_stl(path, np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32), "mm")
    >>> path.stat().st_size == 80 + 4 + 50, path.read_bytes()[:35]
    (True, b'datumlift light mesh, unit mm      ')
    """
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    rows = np.zeros(len(faces), record)
    rows["corners"] = vertices[faces]
    corners = rows["corners"].astype(np.float64)
    normal = area_vectors(corners)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    with open(path, "wb") as file:
        # A binary STL must not begin with "solid".
        file.write(f"datumlift light mesh, unit {unit}".encode("ascii").ljust(80))
        file.write(np.uint32(len(faces)).astype("<u4").tobytes())
        rows.tofile(file)


def write_ply(
    path: Path,
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    feature: NDArray[np.int32],
    origin: NDArray[np.uint8],
    comments: Sequence[str] = (),
    scan: NDArray[np.uint8] | None = None,
) -> None:
    r"""Binary PLY in double precision, with `feature` and `origin` of each facet, and of several set-ups `scan`.

    vertices         (n, 3) and faces (m, 3)
    feature, origin  (m,): index of the feature or -1, origin as in `Surface`
    comments         further lines for the header; what isn't ASCII becomes "?"
    scan             (m,): the set-up that saw the facet, counted from 1, 0 none; None of one scan

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "facet.ply"
    >>> corners, faces = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32)
    >>> write_ply(path, corners, faces, np.array([-1]), np.array([0]), ["unit mm"])
    >>> path.read_bytes().split(b"\n")[2:4]
    [b'comment unit mm', b'comment origin: 0 measured, 1 filled, 2 snapped']
    """
    columns = [("count", "u1"), ("corners", "<i4", 3), ("feature", "<i4"), ("origin", "u1")]
    rows = np.empty(len(faces), np.dtype([*columns, *([] if scan is None else [("scan", "u1")])]))
    rows["count"], rows["corners"], rows["feature"], rows["origin"] = 3, faces, feature, origin
    if scan is not None:
        rows["scan"] = scan
    header = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {_ascii(text)}" for text in (*comments, ORIGIN_COMMENT)),
        f"element vertex {len(vertices)}",
        *(f"property double {axis}" for axis in "xyz"),
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "property int feature",
        "property uchar origin",
        *([] if scan is None else ["comment scan: the set-up that saw it, 0 none", "property uchar scan"]),
        "end_header",
    ]
    with open(path, "wb") as file:
        file.write(("\n".join(header) + "\n").encode("ascii"))
        np.ascontiguousarray(vertices, "<f8").tofile(file)
        rows.tofile(file)


def write_obj(
    path: Path,
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    feature: NDArray[np.int32],
    names: Sequence[str],
    unit: str,
) -> None:
    """OBJ, one group a feature (`names[k]` of label k) and one, "skin", for facets that carry none.

    vertices  (n, 3) in `unit`, faces (m, 3)
    feature   (m,): index of the feature, -1 none

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "facet.obj"
    >>> corners, faces = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32)
    >>> write_obj(path, corners, faces, np.array([0]), ["main bore"], "mm")
    >>> path.read_text().splitlines()[3:]
    ['v 0 10 0', 'g main_bore', 'f 1 2 3']
    """
    lines = [f"# datumlift light mesh, unit {unit}"]
    lines += [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in vertices.tolist()]
    order = np.argsort(feature, kind="stable")
    starts = np.flatnonzero(np.diff(feature[order], prepend=-2))
    for start, stop in zip(starts, [*starts[1:], len(order)], strict=True):
        label = feature[order[start]]
        lines.append("g skin" if label < 0 else f"g {_ascii(names[label]).replace(' ', '_')}")
        lines += [f"f {a} {b} {c}" for a, b, c in (faces[order[start:stop]] + 1).tolist()]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def write_3mf(path: Path, vertices: NDArray[np.float64], faces: NDArray[np.int32], unit: str) -> None:
    """3MF core (ISO/IEC 25422), one object, with the unit stated.

    vertices  (n, 3) in `unit`, faces (m, 3)
    unit      "mm" | "in"; KeyError otherwise

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "facet.3mf"
    >>> write_3mf(path, np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32), "mm")
    >>> b'<model unit="millimeter"' in zipfile.ZipFile(path).read("3D/3dmodel.model")
    True
    """
    write_parts_3mf(path, {"light mesh": (vertices, faces)}, unit)


def write_parts_3mf(path: Path, parts: Mapping[str, tuple[NDArray[np.float64], NDArray[np.int32]]], unit: str) -> None:
    """Several meshes in one file as `write_3mf`, an object each by its name: vertices (n, 3) and faces (m, 3).

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "parts.3mf"
    >>> facet = (np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    >>> write_parts_3mf(path, {"rod": facet, "a<b": facet}, "mm")
    >>> zipfile.ZipFile(path).read("3D/3dmodel.model").count(b"<object")
    2
    """
    objects = []
    for number, (name, (vertices, faces)) in enumerate(parts.items(), 1):
        points = "".join(f'<vertex x="{x:.9g}" y="{y:.9g}" z="{z:.9g}"/>\n' for x, y, z in vertices.tolist())
        facets = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n' for a, b, c in faces.tolist())
        objects.append(
            f'<object id="{number}" type="model" name="{html.escape(name)}"><mesh>\n'
            f"<vertices>\n{points}</vertices>\n<triangles>\n{facets}</triangles>\n</mesh></object>"
        )
    items = "".join(f'<item objectid="{number}"/>' for number in range(1, len(parts) + 1))
    model = (
        f'{_XML}<model unit="{_UNIT_NAMES[unit]}" xml:lang="en-US" xmlns="{_CORE_3MF}">\n'
        '<metadata name="Application">datumlift</metadata>\n'
        f"<resources>{''.join(objects)}</resources>\n<build>{items}</build>\n</model>\n"
    )
    types = (
        f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
    )
    relations = (
        f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">'
        f'<Relationship Id="rel0" Target="/3D/3dmodel.model" Type="{_MODEL_RELATION}"/></Relationships>'
    )
    files = {"[Content_Types].xml": types, "_rels/.rels": relations, "3D/3dmodel.model": model}
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            # ZipInfo's own date is fixed; writestr with a bare name would take the clock's.
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, text)


def write_glb(path: Path, vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> None:
    """glTF 2.0 binary: metres and y up, as the standard asks; `vertices` (n, 3) in mm with z up, faces (m, 3).

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "facet.glb"
    >>> write_glb(path, np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    >>> path.read_bytes()[:4]
    b'glTF'
    """
    write_parts_glb(path, {"light mesh": (vertices, faces)})


def write_parts_glb(path: Path, parts: Mapping[str, tuple[NDArray[np.float64], NDArray[np.int32]]]) -> None:
    """Several meshes in one file as `write_glb`, a node each by its name: vertices (n, 3) and faces (m, 3).

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "parts.glb"
    >>> facet = (np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    >>> write_parts_glb(path, {"rod": facet, "bar": facet})
    >>> path.read_bytes().count(b'"rod"') > 0
    True
    """
    import trimesh

    scene = trimesh.Scene()
    z_to_y = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])
    for name, (vertices, faces) in parts.items():
        mesh = trimesh.Trimesh(vertices * 0.001, faces, process=False)
        scene.add_geometry(mesh, node_name=name, geom_name=name, transform=z_to_y)
    path.write_bytes(scene.export(file_type="glb"))


def _ascii(text: str) -> str:
    """One line of plain ASCII, for headers that allow nothing else."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())
