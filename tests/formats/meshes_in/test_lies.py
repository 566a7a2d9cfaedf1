"""Files that lie: counts, lengths, types and places that the bytes don't bear out. Each was a fault or could be one."""

from __future__ import annotations

import base64
import io
import json
import os
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from pipeline.errors import InputError
from pipeline.formats.meshes_in import read_light, read_mesh
from pipeline.formats.meshes_out import write_3mf, write_ply
from tests.campaign.seeds import files

POINTS = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)


def refused(path: Path, says: str) -> None:
    with pytest.raises(InputError, match=says) as error:
        read_mesh(path)
    told = str(error.value)
    assert told.isprintable()
    assert told.endswith(".")


def ply(count: object = 4, kind: str = "uchar int", extra: str = "", form: str = "ascii") -> bytes:
    head = f"ply\nformat {form} 1.0\n{extra}element vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
    head += f"element face {count}\nproperty list {kind} vertex_indices\nend_header\n"
    rows = [*POINTS.tolist(), *([3, *face] for face in FACES.tolist())]
    return head.encode() + "\n".join(" ".join(map(str, row)) for row in rows).encode() + b"\n"


@pytest.mark.parametrize("count", [-4, 2**31, 2**62, 2**80])
def test_ply_counts_that_no_file_of_this_size_holds(tmp_path: Path, count: int) -> None:
    (tmp_path / "a.ply").write_bytes(ply(count))
    refused(tmp_path / "a.ply", "cut short or broken: its header promises")
    (tmp_path / "a.ply").write_bytes(ply(extra=f"element nothing {count}\n"))
    refused(tmp_path / "a.ply", "cut short or broken: its header promises")


@pytest.mark.parametrize("kind", ["double int", "uchar double", "float float"])
def test_ply_corners_that_are_no_whole_numbers(tmp_path: Path, kind: str) -> None:
    for form in ("ascii", "binary_little_endian"):
        (tmp_path / "a.ply").write_bytes(ply(kind=kind, form=form))
        refused(tmp_path / "a.ply", "no lists of whole numbers")


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian"])
def test_ply_lists_of_no_whole_number_of_items(tmp_path: Path, form: str) -> None:
    """Beside lists of corners that are as they should be."""
    sound = b"property list uchar int vertex_indices\n"
    path = tmp_path / "scan.ply"
    path.write_bytes(ply(form=form).replace(sound, sound + b"property list double int vertex_indices\n"))
    refused(path, "lists with no whole number of items")


def test_what_a_file_says_steers_no_terminal(tmp_path: Path) -> None:
    (tmp_path / "a.ply").write_bytes(
        ply(extra="element \x1b[31m\udcff x\n".encode("utf-8", "surrogateescape").decode("latin1"))
    )
    refused(tmp_path / "a.ply", r"\\x1b\[31m")


@pytest.mark.parametrize("corner", ["0", "5", "-5", "1.5", "4294967297", "1e300", "-1e300", "nan", "inf"])
def test_obj_and_off_corners_that_are_no_vertices(tmp_path: Path, corner: str) -> None:
    points = "".join(f"v {x} {y} {z}\n" for x, y, z in POINTS.tolist())
    (tmp_path / "a.obj").write_text(f"{points}f 1 2 3\nf 1 2 {corner}\n")
    refused(tmp_path / "a.obj", "facet 2 has a corner that does not exist")
    points = points.replace("v ", "")
    corner = "4" if corner == "0" else corner
    (tmp_path / "a.off").write_text(f"OFF\n4 2 0\n{points}3 0 1 2\n3 0 1 {corner}\n")
    refused(tmp_path / "a.off", "facet 2 has a corner that does not exist")


@pytest.mark.parametrize("corners", ["-1", "2.5", "nan", "1e18"])
def test_off_facets_with_no_number_of_corners(tmp_path: Path, corners: str) -> None:
    points = "".join(f"{x} {y} {z}\n" for x, y, z in POINTS.tolist())
    (tmp_path / "a.off").write_text(f"OFF\n4 2 0\n{points}3 0 1 2\n{corners} 0 1 2\n")
    refused(tmp_path / "a.off", "cut short or broken at")


def three_mf(folder: Path) -> tuple[Path, bytes]:
    write_3mf(folder / "a.3mf", POINTS, FACES, "mm")
    return folder / "a.3mf", (folder / "a.3mf").read_bytes()


@pytest.mark.parametrize(("local", "central", "value", "says"), [
    (6, 8, 1, "is encrypted"), (8, 10, 99, "not a whole 3MF"), (8, 10, 12, "not a whole 3MF|can't be understood"),
])  # fmt: skip
def test_3mf_archives_that_are_locked_or_packed_otherwise(
    tmp_path: Path, local: int, central: int, value: int, says: str
) -> None:
    path, data = three_mf(tmp_path)
    made = bytearray(data)
    for mark, at in ((b"PK\x03\x04", local), (b"PK\x01\x02", central)):
        found = made.find(mark)
        while found >= 0:
            made[found + at] = value
            found = made.find(mark, found + 4)
    path.write_bytes(made)
    refused(path, says)


def test_3mf_archives_that_swell(tmp_path: Path) -> None:
    path, data = three_mf(tmp_path)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content + b" " * 30_000_000 * name.endswith(".model"))
    refused(path, "unpack to 30,")


def test_3mf_entities_are_not_followed(tmp_path: Path) -> None:
    path, data = three_mf(tmp_path)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in members.items():
            entity = b'<!DOCTYPE m [<!ENTITY x SYSTEM "file:///etc/hostname">]>\n<model'
            archive.writestr(name, content.replace(b"<model", entity, 1))
    refused(path, "defines entities")


def gltf(**changes: Any) -> dict[str, Any]:
    """A tetrahedron as glTF 2.0 asks for it; changes by names such as accessors_0_count."""
    raw = POINTS.astype("<f4").tobytes() + FACES.astype("<u2").tobytes()
    tree: dict[str, Any] = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 12, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 48},
            {"buffer": 0, "byteOffset": 48, "byteLength": 24},
        ],
        "buffers": [{"byteLength": 72, "uri": "data:;base64," + base64.b64encode(raw).decode()}],
    }
    for name, value in changes.items():
        at: Any = tree
        *way, last = [int(part) if part.isdigit() else part for part in name.split("_")]
        for part in way:
            at = at[part]
        at[last] = value
    return tree


def written(folder: Path, **changes: Any) -> Path:
    (folder / "a.gltf").write_text(json.dumps(gltf(**changes)))
    return folder / "a.gltf"


def test_gltf_as_it_should_be(tmp_path: Path) -> None:
    mesh = read_mesh(written(tmp_path))
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume == pytest.approx(1 / 6)
    assert mesh.unit == "m"


@pytest.mark.parametrize(("mode", "order"), [(5, [0, 2, 1, 3, 0, 2]), (6, [3, 0, 1, 2, 0])])
def test_gltf_strips_and_fans(tmp_path: Path, mode: int, order: list[int]) -> None:
    """Against the trimesh library's own reading of the same file."""
    raw = POINTS.astype("<f4").tobytes() + np.array(order, "<u2").tobytes()
    path = written(
        tmp_path,
        meshes_0_primitives_0_mode=mode,
        accessors_1_count=len(order),
        bufferViews_1_byteLength=2 * len(order),
        buffers_0_uri="data:;base64," + base64.b64encode(raw).decode(),
        buffers_0_byteLength=len(raw),
    )
    mesh = read_mesh(path)
    facets = {frozenset(map(tuple, mesh.vertices[face].tolist())) for face in mesh.faces}
    expected = [order[k : k + 3] for k in range(len(order) - 2)] if mode == 5 else [
        [order[0], order[k], order[k + 1]] for k in range(1, len(order) - 1)
    ]  # fmt: skip
    assert facets == {frozenset(map(tuple, POINTS[face].tolist())) for face in expected}


def test_gltf_nodes_place_turn_and_mirror(tmp_path: Path) -> None:
    """Against trimesh, which places the same scene."""
    nodes = [
        {"children": [1], "translation": [1, 2, 3], "rotation": [0, 0, 0.6, 0.8]},
        {"mesh": 0, "scale": [2, 1, -1], "translation": [0, 5, 0]},
    ]
    path = written(tmp_path, nodes=nodes)
    mesh = read_mesh(path)
    other = trimesh.load_scene(path, process=False).to_geometry()
    ours = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert ours.volume == pytest.approx(other.volume, rel=1e-6)
    assert ours.bounds == pytest.approx(other.bounds, abs=1e-6)


@pytest.mark.parametrize(("changes", "says"), [
    ({"nodes": [{"mesh": 0, "children": [0]}]}, "node 0, which is part of two others or of itself"),
    ({"accessors_0_count": 2**62}, "count"),
    ({"accessors_0_count": 5}, "do not fit"),
    ({"accessors_0_count": -1}, "count"),
    ({"accessors_1_componentType": 5126}, "do not fit|no corners"),
    ({"accessors_0_type": "VEC2"}, "no VEC3"),
    ({"accessors_0_componentType": "5126"}, "no VEC3"),
    ({"bufferViews_0_byteLength": 2**40}, "do not fit"),
    ({"bufferViews_0_byteStride": 1}, "do not fit"),
    ({"bufferViews_0_buffer": 7}, "number 7 of its buffers"),
    ({"buffers_0_uri": "http://127.0.0.1:9/a.bin"}, "not beside the file"),
    ({"buffers_0_uri": "../../etc/hostname"}, "not beside the file"),
    ({"buffers_0_uri": "a.bin"}, "needs the file a.bin"),
    ({"buffers_0_uri": "data:;base64,%%%"}, "a buffer in it"),
    ({"meshes_0_primitives_0_mode": 9}, "mode 9"),
    ({"meshes_0_primitives_0_mode": 1}, "holds no facets"),
    ({"nodes_0_matrix": [float("nan")] * 16}, "matrix of a node"),
    
    ({"extensionsRequired": ["KHR_draco_mesh_compression"]}, "is compressed"),
    ({"scenes": 3}, "its list of scenes"),
    ({"meshes": {}}, "its list of meshes"),
])  # fmt: skip
def test_gltf_that_makes_no_sense(tmp_path: Path, changes: dict[str, Any], says: str) -> None:
    refused(written(tmp_path, **changes), says)


def test_gltf_that_wants_a_pipe_a_folder_or_a_link_in_a_circle(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.bin")
    (tmp_path / "folder.bin").mkdir()
    (tmp_path / "loop.bin").symlink_to("loop.bin")
    refusals = {"pipe": "it is a pipe or a device", "folder": "Is a directory", "loop": "Too many levels"}
    for name, why in ((f"{stem}.bin", why) for stem, why in refusals.items()):
        (tmp_path / "a.gltf").write_text(json.dumps(gltf(buffers_0_uri=name)))
        refused(tmp_path / "a.gltf", f"needs the file {name} beside it, which can't be read \\({why}")


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "off", "3mf", "glb", "gltf", "xyz", "csv", "e57"])
def test_a_pipe_is_no_scan(form: str, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / f"a.{form}")
    refused(tmp_path / f"a.{form}", "it is a pipe or a device and no file")


COPIES = {
    "its line ends were changed": lambda data: data.replace(b"\n", b"\r\n"),
    "its bytes were replaced": lambda data: data.decode("utf-8", "replace").encode(),
}


@pytest.mark.parametrize("says", COPIES)
@pytest.mark.parametrize("form", ["stl", "ply", "points.ply", "glb", "3mf", "e57"])
def test_binary_files_that_were_copied_as_text(form: str, says: str, tmp_path: Path) -> None:
    kinds = {"ply": "plain.ply", "points.ply": "points.ply", "e57": "points.e57"}
    path = tmp_path / f"a.{form}"
    path.write_bytes(COPIES[says](files()[kinds.get(form, f"scan.{form}")]))
    refused(path, says)


def test_a_scan_that_becomes_shorter_while_it_is_read(tmp_path: Path) -> None:
    """A mapped file that is cut would end the process, and a reader of records would wait without end."""
    path = tmp_path / "a.stl"
    path.write_bytes(b"x" * 80 + struct.pack("<I", 200_000) + bytes(50 * 200_000))

    def cut(share: float, text: str = "") -> None:
        os.truncate(path, 84 + 50 * 140_000)

    with pytest.raises(InputError, match="became shorter while it was read"):
        read_mesh(path, cut)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"asset_version": "1.0"}, "is glTF of version 1.0, and only 2.0 is read"),
        ({"extensionsRequired": ["KHR_draco_mesh_compression"]}, "is compressed"),
        ({"extensionsRequired": ["VENDOR_own"]}, "an extension that it requires \\(VENDOR_own\\)"),
        ({"extensionsRequired": "x"}, "its list of extensionsRequired makes no sense"),
    ],
)
def test_gltf_that_needs_more_than_is_read(changes: dict[str, Any], says: str, tmp_path: Path) -> None:
    """glTF 2.0, 3.12: what is required and not known must not be loaded."""
    tree = {**gltf(), "asset": {"version": changes.pop("asset_version", "2.0")}, **changes}
    (tmp_path / "a.gltf").write_text(json.dumps(tree))
    refused(tmp_path / "a.gltf", says)
    tree["asset"], tree["extensionsRequired"] = {"version": "2.0"}, ["KHR_materials_unlit", "KHR_mesh_quantization"]
    (tmp_path / "a.gltf").write_text(json.dumps(tree))
    assert len(read_mesh(tmp_path / "a.gltf").faces) == 4


@pytest.mark.parametrize("version", [1, 3])
def test_glb_of_another_version(version: int, tmp_path: Path) -> None:
    data = files()["scan.glb"]
    (tmp_path / "a.glb").write_bytes(data[:4] + struct.pack("<I", version) + data[8:])
    refused(tmp_path / "a.glb", f"is glTF of version {version}")


def test_gltf_that_swells_by_placing_one_mesh_over_and_over(tmp_path: Path) -> None:
    raw = POINTS.astype("<f4").tobytes() + np.tile(FACES.astype("<u2"), (500, 1)).tobytes()
    path = written(
        tmp_path,
        nodes=[{"mesh": 0}] * 600,
        scenes=[{"nodes": list(range(600))}],
        accessors_1_count=6000,
        bufferViews_1_byteLength=12_000,
        buffers_0_uri="data:;base64," + base64.b64encode(raw).decode(),
    )
    refused(path, "places its meshes so often that they come to more than 1,000,000 facets")


def test_glb_parts_that_are_longer_than_the_file(tmp_path: Path) -> None:
    text = json.dumps(gltf()).encode()
    for length in (len(text) + 1, 2**32 - 1):
        head = struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), length, 0x4E4F534A)
        (tmp_path / "a.glb").write_bytes(head + text)
        refused(tmp_path / "a.glb", "longer than the file")
    (tmp_path / "a.gltf").write_text("[" * 100_000)
    refused(tmp_path / "a.gltf", "its JSON is broken")


DEEP = "".join(
    f'<object id="{k}"><components><component objectid="{k + 1 if k < 4099 else 1}"/></components></object>'
    for k in range(100, 4100)
)
TENFOLD = "".join(
    f'<object id="{k}" type="model"><components>{component * 10}</components></object>'
    for k in range(10, 22)
    for component in (f'<component objectid="{k + 1 if k < 21 else 1}"/>',)
)
CIRCLE = "".join(
    f'<object id="{k}" type="model"><components><component objectid="{101 - k}"/></components></object>'
    for k in (50, 51)
)


@pytest.mark.parametrize("coding", ["utf-8", "utf-16"])
@pytest.mark.parametrize(
    ("objects", "first", "says"),
    [
        (DEEP, "100", "hold each other in a circle, or more than 32 deep"),  # its reader took minutes of that
        (CIRCLE, "50", "hold each other in a circle"),
        (TENFOLD, "10", "places its objects over and over"),
    ],
    ids=["deep", "circle", "tenfold"],
)
def test_3mf_objects_that_hold_each_other(tmp_path: Path, objects: str, first: str, says: str, coding: str) -> None:
    _, data = three_mf(tmp_path)
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(tmp_path / "b.3mf", "w", 8) as changed:
        for name in archive.namelist():
            text = archive.read(name)
            if name.endswith(".model"):
                model = text.decode().replace("</resources>", objects + "</resources>")
                model = model.replace('<item objectid="1"', f'<item objectid="{first}"').replace(
                    "UTF-8", coding.upper()
                )
                text = model.encode(coding)
            changed.writestr(name, text)
    refused(tmp_path / "b.3mf", says)


def test_facets_about_one_point(tmp_path: Path) -> None:
    """A fan of so many took minutes, by the square of their number; and one in a plane is no less of a fan."""
    turn = np.linspace(0.0, 2.0 * np.pi, 5001)
    rim = np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])
    corners = np.stack([np.zeros((5000, 3)), rim[:-1], rim[1:]], axis=1)
    trimesh.Trimesh(**trimesh.triangles.to_kwargs(corners)).export(tmp_path / "fan.stl")
    refused(tmp_path / "fan.stl", "5,000 facets meet in one point, .0, 0, 0.")


@pytest.mark.parametrize(
    ("at", "value"), [(1, 99), (1, -1), (13, 5), (17, 7)], ids=["no corner", "negative", "no feature", "no origin"]
)
def test_a_light_mesh_whose_facets_were_changed(at: int, value: int, tmp_path: Path) -> None:
    path = tmp_path / "light.ply"
    labels, origin = np.array([1], np.int32), np.array([0], np.uint8)
    write_ply(
        path, np.eye(3), np.array([[0, 1, 2]], np.int32), labels, origin, ("feature counts into: H1 F1; -1 none",)
    )
    assert read_light(path)[2] == ("H1", "F1")
    data = bytearray(path.read_bytes())
    facet = len(data) - 18
    data[facet + at : facet + at + (1 if at == 17 else 4)] = value.to_bytes(1 if at == 17 else 4, "little", signed=True)
    path.write_bytes(data)
    with pytest.raises(InputError, match="is damaged"):
        read_light(path)


def test_facets_along_a_line(tmp_path: Path) -> None:
    """They have no area, by which figures of a light mesh would be weighed."""
    points = np.random.default_rng(3).random((600, 1)) * np.array([1.0, 2.0, 3.0])
    mesh = trimesh.Trimesh(points, np.arange(600).reshape(-1, 3), process=False)
    mesh.export(tmp_path / "line.stl")
    refused(tmp_path / "line.stl", "lie along one line")
