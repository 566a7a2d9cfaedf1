"""Mesh files in: every form gives the same ball back; every broken file gives one sentence.

Covers: pipeline.formats.meshes_in.gltf, pipeline.formats.meshes_in.ply, pipeline.formats.meshes_in.stl
Covers: pipeline.formats.meshes_in.three_mf
Covers: pipeline.formats.meshes_in.text_meshes, pipeline.formats.meshes_in.text_numbers
"""

from __future__ import annotations

import hashlib
import os
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.errors import InputError
from pipeline.formats.meshes_in import read_mesh
from pipeline.formats.meshes_in.text_numbers import GOOD, NO_NUMBER, number
from pipeline.formats.meshes_out import ORIGIN_COMMENT, write_ply

BALL = trimesh.creation.icosphere(2, radius=30.0)


def stl_bytes(corners: np.ndarray, header: bytes = b"made for a test", count: int | None = None) -> bytes:
    """Binary STL, by the layout that its inventor published: 80 bytes, a count, 50 bytes a facet."""
    out = [header.ljust(80, b" "), struct.pack("<I", len(corners) if count is None else count)]
    for facet in np.asarray(corners, dtype=np.float32):
        out.append(struct.pack("<12fH", 0, 0, 0, *facet.ravel(), 0))
    return b"".join(out)


def _same_ball(path: Path, scale: float = 1.0, digits: float = 1e-6) -> None:
    mesh = read_mesh(path)
    assert len(mesh.faces) == len(BALL.faces)
    # A closed ball of m facets has m / 2 + 2 vertices once welded (Euler).
    assert len(mesh.vertices) == len(BALL.faces) // 2 + 2
    made = trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)
    assert made.volume == pytest.approx(BALL.volume, rel=digits)
    assert made.is_watertight
    assert mesh.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "off"])
def test_what_trimesh_writes_is_read(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"ball.{form}"
    BALL.export(path)
    _same_ball(path)
    assert read_mesh(path).unit is None


@pytest.mark.parametrize(("form", "options"), [("stl", {"file_type": "stl_ascii"}), ("ply", {"encoding": "ascii"})])
def test_text_forms_are_read(tmp_path: Path, form: str, options: dict[str, str]) -> None:
    path = tmp_path / f"ball.{form}"
    BALL.export(path, **options)
    assert b"\0" not in path.read_bytes()
    _same_ball(path)


@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\r\r\n"])
@pytest.mark.parametrize(
    ("form", "options"),
    [("stl", {"file_type": "stl_ascii"}), ("ply", {"encoding": "ascii"}), ("obj", {}), ("off", {}), ("xyz", {})],
)
def test_lines_of_text_end_as_any_system_ends_them(
    tmp_path: Path, form: str, options: dict[str, str], end: bytes
) -> None:
    """Against the reading of the same text with line feeds, which the test above holds against trimesh."""
    if form == "xyz":
        np.savetxt(tmp_path / "ball.xyz", BALL.vertices)
    else:
        BALL.export(tmp_path / f"ball.{form}", **options)
    text = (tmp_path / f"ball.{form}").read_bytes()
    other = tmp_path / f"other.{form}"
    other.write_bytes(text.replace(b"\n", end))
    expected, made = read_mesh(tmp_path / f"ball.{form}"), read_mesh(other)
    np.testing.assert_array_equal(made.vertices, expected.vertices)
    np.testing.assert_array_equal(made.faces, expected.faces)


def test_a_line_is_told_by_its_number_whatever_ends_it(tmp_path: Path) -> None:
    text = trimesh.exchange.stl.export_stl_ascii(BALL).encode().replace(b"vertex 0", b"vertex zero", 1)
    line = next(k for k, words in enumerate(text.splitlines(), 1) if b"zero" in words)
    for end in (b"\n", b"\r\n", b"\r"):
        (tmp_path / "bad.stl").write_bytes(text.replace(b"\n", end))
        with pytest.raises(InputError, match=f"line {line:,} should hold three coordinates"):
            read_mesh(tmp_path / "bad.stl")


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("last", [b"end_header", b"end_header "])
@pytest.mark.parametrize("first", [0.0, 2.1e-44])
def test_the_header_of_a_binary_ply_ends_as_any_system_ends_it(
    tmp_path: Path, end: bytes, last: bytes, first: float
) -> None:
    """Also where the body starts with the byte of a line feed, and where a comment speaks of the header's end."""
    points = np.array([[first, 0, 0], [0, 0, 5], [4, 0, 0], [0, 3, 0]], "<f4")
    faces = np.array([[1, 0, 2], [0, 1, 3], [2, 3, 1], [0, 3, 2]])
    lines = [b"ply", b"format binary_little_endian 1.0", b"comment end_header follows", b"element vertex 4"]
    lines += [b"property float " + axis for axis in (b"x", b"y", b"z")]
    lines += [b"element face 4", b"property list uchar int vertex_indices", last]
    body = points.tobytes() + b"".join(struct.pack("<B3i", 3, *face) for face in faces)
    assert (body[0] in b"\n\r\x0f") == (first > 0)
    path = tmp_path / "corner.ply"
    path.write_bytes(b"".join(line + end for line in lines) + body)
    mesh = read_mesh(path)
    # A corner cut off a box holds a sixth of it.
    assert abs(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume) == pytest.approx(10)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_of_an_obj_may_go_on(tmp_path: Path, end: str) -> None:
    """Against trimesh, which joins such lines first; a comment ends where its line does, whatever stands last in it."""
    lines = [
        "# by C:\\scans\\",
        *(f"v {x} \\\n  {y} {z}" for x in (0, 10) for y in (0, 20) for z in (0, 30)),
        "vt 0 \\\n 0",
        "g box \\\n f",
        *(
            "f 1/1 2/1 \\\n4/1 3/1",
            "f 5 7\\\n 8 \\\n 6 # last",
            "f \\\n1 5 6 2",
            "f\\\n 3 4 8 7",
            "f 1 3 7 5",
            "f 2 6 8 4",
        ),
    ]
    path = tmp_path / "box.obj"
    path.write_bytes("\n".join(lines).replace("\n", end).encode())
    mesh = read_mesh(path)
    assert mesh.faces.shape == (12, 3)
    assert abs(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume) == pytest.approx(6000)
    path.write_text("\n".join(lines[1:]).replace(" # last", ""))  # trimesh takes neither comment
    other = trimesh.load_mesh(path, process=False)
    assert abs(other.volume) == pytest.approx(6000)
    assert read_mesh(path).faces.shape == other.faces.shape


@pytest.mark.parametrize("line", ["f 1 2\\\n3 4", "f 1/1\\\n/1 2 3", "v 1 2\\\n3 4", "f 1 2 3 \\ 4"])
def test_an_obj_line_that_breaks_within_a_number_is_refused(tmp_path: Path, line: str) -> None:
    points = "".join(f"v {x} {y} {z}\n" for x, y, z in np.eye(4, 3))
    (tmp_path / "broken.obj").write_text(f"{points}{line}\nf 1 2 3\n")
    with pytest.raises(InputError, match="line 5 starts like a vertex or a facet"):
        read_mesh(tmp_path / "broken.obj")


def test_gltf_is_in_metres_and_welded(tmp_path: Path) -> None:
    # glTF 2.0, section 3.4: the units for all linear distances are meters.
    small = BALL.copy()
    small.apply_scale(0.001)
    small.unmerge_vertices()
    small.export(tmp_path / "ball.glb")
    assert read_mesh(tmp_path / "ball.glb").unit == "m"
    _same_ball(tmp_path / "ball.glb", scale=1000.0)


def test_a_placed_part_of_a_scene_is_where_the_scene_puts_it(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    scene.add_geometry(BALL, transform=trimesh.transformations.translation_matrix((100, 0, 0)))
    scene.add_geometry(BALL, transform=trimesh.transformations.translation_matrix((-100, 0, 0)))
    scene.export(tmp_path / "two.glb")
    mesh = read_mesh(tmp_path / "two.glb")
    assert len(mesh.faces) == 2 * len(BALL.faces)
    np.testing.assert_allclose([mesh.vertices[:, 0].min(), mesh.vertices[:, 0].max()], [-130, 130], rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "unit"), [("millimeter", "mm"), ("inch", "in"), ("micron", "um"), ("centimeter", "cm"), ("foot", "ft")]
)
def test_the_unit_that_a_3mf_states_is_told(tmp_path: Path, name: str, unit: str) -> None:
    BALL.export(tmp_path / "ball.3mf")
    with zipfile.ZipFile(tmp_path / "ball.3mf") as archive:
        contents = {n: archive.read(n) for n in archive.namelist()}
    with zipfile.ZipFile(tmp_path / "other.3mf", "w") as archive:
        for n, data in contents.items():
            archive.writestr(n, data.replace(b'unit="millimeter"', f'unit="{name}"'.encode()))
    assert read_mesh(tmp_path / "other.3mf").unit == unit
    _same_ball(tmp_path / "other.3mf")


_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"


def _cube(number: int, size: float, prefix: str = "") -> str:
    """A 3MF object, a cube with a corner in its origin."""
    box = trimesh.creation.box(bounds=[[0, 0, 0], [size] * 3])
    points = "".join(f'<{prefix}vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in box.vertices)
    facets = "".join(f'<{prefix}triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in box.faces)
    mesh = f"<{prefix}vertices>{points}</{prefix}vertices><{prefix}triangles>{facets}</{prefix}triangles>"
    return f'<{prefix}object id="{number}" type="model"><{prefix}mesh>{mesh}</{prefix}mesh></{prefix}object>'


def _package(path: Path, parts: dict[str, str], coding: str = "utf-8") -> Path:
    """A 3MF with an archive of model parts, in the order given."""
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in parts.items():
            archive.writestr(name, text.encode(coding))
    return path


def _model(resources: str, build: str = "", unit: str = "inch") -> str:
    head = f'<model unit="{unit}" xmlns="{_CORE}" xmlns:p="{_PRODUCTION}" requiredextensions="p">'
    return f'<?xml version="1.0"?>\n{head}{resources}<build>{build}</build></model>'


def test_a_3mf_whose_object_is_in_another_part_is_read(tmp_path: Path) -> None:
    """Against trimesh, which follows such a path where a component has it and the other part holds one object."""
    placed = '<component objectid="1" p:path="/3D/o/a.model" transform="1 0 0 0 1 0 0 0 1 3 4 5"/>'
    holder = f'<object id="2"><components>{placed}</components></object>'
    root = _model(f"<resources>{holder}</resources>", '<item objectid="2" transform="0 1 0 -1 0 0 0 0 1 0 0 9"/>')
    parts = {"3D/3dmodel.model": root, "3D/o/a.model": _model(f"<resources>{_cube(1, 2)}</resources>")}
    path = _package(tmp_path / "one.3mf", parts)
    mesh, other = read_mesh(path), trimesh.load_scene(path, process=False).to_geometry()
    assert mesh.unit == "in"
    assert mesh.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    np.testing.assert_allclose([mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)], other.bounds)
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume == pytest.approx(other.volume)


@pytest.mark.parametrize(
    ("path", "stored"),
    [
        ("/3D/o/part one.model", "3D/o/part%20one.model"),
        ("/3D/o/part%20one.model", "3D/o/part one.model"),
        ("/3d/O/PART.model", "3D/o/part.MODEL"),
        ("/3D/p%C3%A4rt.model", "3D/p\u00e4rt.model"),
        ("/3D/a&amp;b.model", "3D/a&b.model"),
        ("/3D/o/../part.model", "/3D/part.model"),
    ],
)
@pytest.mark.parametrize("root", ["3D/3dmodel.model", "3d/3DMODEL.model", "Start/first%20one.model"])
def test_parts_of_a_3mf_by_other_spellings_of_their_names(path: str, stored: str, root: str, tmp_path: Path) -> None:
    """ISO/IEC 29500-2, 6.2 and 6.3: names of parts are the same without regard to case, and %20 is a blank."""
    item = f'<item objectid="7" p:path="{path}"/>'
    kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    relation = f'<Relationship Target="/{root}" Id="r" Type="{kind}"/>'
    parts = {
        stored: _model(f"<resources>{_cube(7, 2)}</resources>"),
        root: _model("<resources/>", item),
        "_rels/.rels": f'<Relationships xmlns="none">{relation}</Relationships>',
    }
    mesh = read_mesh(_package(tmp_path / "a.3mf", parts))
    assert len(mesh.faces) == 12
    assert np.ptp(mesh.vertices, axis=0).tolist() == [2.0, 2.0, 2.0]


def test_a_3mf_with_two_models_of_one_name_is_refused(tmp_path: Path) -> None:
    cube = _model(f"<resources>{_cube(1, 2)}</resources>", '<item objectid="1"/>')
    with pytest.raises(InputError, match="two models of one name"):
        read_mesh(_package(tmp_path / "a.3mf", {"3D/3dmodel.model": cube, "3d/3DMODEL.model": cube}))


@pytest.mark.parametrize("coding", ["utf-8", "utf-16"])
@pytest.mark.parametrize(
    ("resources", "builds"),
    [
        ("<resources/>", ""),
        ("<resources></resources>", ""),
        (
            '<resources><object id="1"><components><component p:path="/3D/a.model" objectid="1"/></components></object>'
            "</resources>",
            '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 99 0 0"/>',
        ),
    ],
    ids=["none", "empty", "holder"],
)
def test_objects_in_several_parts_of_a_3mf_keep_apart(tmp_path: Path, coding: str, resources: str, builds: str) -> None:
    """Items and components with a path (Production Extension 1.1, 3.1), the same numbers in each part, an object placed
    twice, one that is placed by another of its part, one that nothing places, and what another part would build."""
    twice = "".join(f'<c:component objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 {z}"/>' for z in (0, 50))
    inner = f'<c:object id="7"><c:components>{twice}</c:components></c:object>'
    first = _model(f"<resources>{_cube(1, 1)}{_cube(2, 20)}</resources>", '<item objectid="2"/>')
    second = f'<?xml version="1.0"?><c:model unit="inch" xmlns:c="{_CORE}"><c:resources>{_cube(1, 2, "c:")}{inner}'
    second += "</c:resources><c:build/></c:model>"
    items = [
        'objectid="1" p:path="/3D/a.model"',
        'objectid="1" p:path="/3D/a.model" transform="1 0 0 0 1 0 0 0 1 9 0 0"',
    ]
    items += ['p:path="/3D/B.model" objectid="7" transform="1 0 0 0 1 0 0 0 1 0 30 0"']
    root = _model(resources, builds + "".join(f"<item {item}/>" for item in items))
    parts = {"3D/a.model": first, "3D/b.model": second, "3D/3dmodel.model": root}
    parts = {name: text.replace('"1.0"?', f'"1.0" encoding="{coding}"?') for name, text in parts.items()}
    mesh = read_mesh(_package(tmp_path / "several.3mf", parts, coding))
    pieces = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).split()
    found = sorted((*piece.bounds[0].tolist(), round(piece.volume, 6)) for piece in pieces)
    assert found == [(0, 0, 0, 1), (0, 30, 0, 8), (0, 30, 50, 8), (9, 0, 0, 1), *([(99, 0, 0, 1)] if builds else [])]


@pytest.mark.parametrize(
    ("item", "part", "says"),
    [
        ('objectid="1" p:path="/3D/no.model"', _cube(1, 1), "is in 3d/no.model of the package, which is not there"),
        ('objectid="9" p:path="/3D/a.model"', _cube(1, 1), "is object 9 in 3d/a.model of the package, which is not"),
        (
            'objectid="1" p:path="/3D/a.model"',
            '<object id="1"><components><component objectid="1" p:path="/3D/a.model"/></components></object>',
            "3d/a.model in the package refers to another part",
        ),
        ('objectid="1" p:path="/3D/mm.model"', "", "is in another unit than the rest"),
    ],
)
def test_a_3mf_that_lacks_a_part_is_refused(tmp_path: Path, item: str, part: str, says: str) -> None:
    parts = {
        "3D/3dmodel.model": _model("<resources/>", f"<item {item}/>"),
        "3D/a.model": _model(f"<resources>{part}</resources>"),
        "3D/mm.model": _model(f"<resources>{_cube(1, 1)}</resources>", unit="millimeter"),
    }
    with pytest.raises(InputError, match=says):
        read_mesh(_package(tmp_path / "lacking.3mf", parts))


def test_a_binary_stl_may_call_itself_solid(tmp_path: Path) -> None:
    path = tmp_path / "ball.stl"
    path.write_bytes(stl_bytes(BALL.triangles, b"solid facet normal vertex endsolid"))
    _same_ball(path)


def test_big_endian_ply_with_extras(tmp_path: Path) -> None:
    header = (
        "ply\nformat binary_big_endian 1.0\ncomment made for a test\n"
        f"element vertex {len(BALL.vertices)}\nproperty uchar red\nproperty double x\nproperty double y\n"
        f"property double z\nelement edge 2\nproperty int vertex1\nelement face {len(BALL.faces)}\n"
        "property list uchar float texcoord\nproperty list uchar int vertex_indices\nproperty short flag\nend_header\n"
    )
    body = b"".join(struct.pack(">B3d", 7, *p) for p in BALL.vertices) + struct.pack(">2i", 1, 2)
    for i, f in enumerate(BALL.faces):
        body += struct.pack(f">B{i % 3}f", i % 3, *([0.5] * (i % 3))) + struct.pack(">B3ih", 3, *f, 9)
    (tmp_path / "ball.ply").write_bytes(header.encode() + body)
    _same_ball(tmp_path / "ball.ply", digits=1e-12)


def test_polygons_are_fanned_in_every_form(tmp_path: Path) -> None:
    corners = [(x, y, z) for x in (0, 10) for y in (0, 20) for z in (0, 30)]
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    vertex_lines = "".join(f"{x} {y} {z}\n" for x, y, z in corners)
    face_lines = "".join(f"4 {' '.join(map(str, q))}\n" for q in quads)
    (tmp_path / "box.off").write_text(f"OFF\n# a comment\n8 6 0\n{vertex_lines}\n{face_lines}")
    (tmp_path / "box.ply").write_text(
        "ply\nformat ascii 1.0\nelement vertex 8\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face 6\nproperty list uchar int vertex_index\nend_header\n{vertex_lines}{face_lines}"
    )
    obj = "".join(f"v {x} {y} {z}\n" for x, y, z in corners) + "vt 0 0\ng box\n"
    obj += "".join("f " + " ".join(f"{i + 1}/1/" for i in q) + "\n" for q in quads[:3])
    # Negative numbers count back from the last vertex.
    obj += "".join("f " + " ".join(str(i - 8) for i in q) + " # last\n" for q in quads[3:])
    (tmp_path / "box.obj").write_text(obj)
    for name in ("box.off", "box.ply", "box.obj"):
        mesh = read_mesh(tmp_path / name)
        assert mesh.faces.shape == (12, 3), name
        assert abs(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume) == pytest.approx(6000), name


def test_numbers_are_those_of_python() -> None:
    rng = np.random.default_rng(0)
    values = np.concatenate([rng.normal(size=300) * 10.0 ** rng.integers(-12, 12, 300), [0.0, 1e300, 5e-300]])
    for style in ("{:.9g}", "{:.6f}", "{:.15e}", "{:+.3E}", "{!r}"):
        for value in values:
            text = style.format(float(value))
            read, end, code = number(np.frombuffer(text.encode() + b" ", dtype=np.uint8), 0)
            assert (code, end) == (GOOD, len(text))
            # Up to 15 digits and a power of ten up to 22 must be right to the last bit.
            plain = len(text.strip("+-0.")) < 16 and "e" not in text.lower()
            assert read == pytest.approx(float(text), rel=0 if plain else 1e-14, abs=0), text
    for text in ("-", "e5", ".", "1e", "x1"):
        assert number(np.frombuffer(text.encode() + b" ", dtype=np.uint8), 0)[2] == NO_NUMBER, text
    assert np.isnan(number(np.frombuffer(b"NaN ", dtype=np.uint8), 0)[0])
    assert number(np.frombuffer(b"-inf ", dtype=np.uint8), 0)[0] == -np.inf


def _broken(tmp_path: Path) -> dict[str, tuple[bytes, str]]:
    """File name -> its bytes, and words that the sentence must have."""
    whole = stl_bytes(BALL.triangles)
    n = len(BALL.faces)
    nan = BALL.triangles.copy()
    nan[5, 1, 2] = np.nan
    inf = BALL.triangles.copy()
    inf[6, 0, 0] = np.inf
    ascii_stl = trimesh.exchange.stl.export_stl_ascii(BALL).encode()
    ply = trimesh.exchange.ply.export_ply(BALL)
    off = trimesh.exchange.off.export_off(BALL).encode()
    obj = trimesh.exchange.obj.export_obj(BALL).encode()
    glb = trimesh.exchange.gltf.export_glb(BALL.scene())
    return {
        "cut.stl": (whole[:-30], f"{n:,} facets, but only {n - 1:,}"),
        "head.stl": (bytes(50), "cut short: 50 bytes"),
        "long.stl": (whole + bytes(100), f"says {n:,} facets, but it is long enough for {n + 2:,}"),
        "liar.stl": (stl_bytes(BALL.triangles, count=7), "says 7 facets"),
        "empty.stl": (b"", "empty"),
        "text.stl": (b"Dear colleague,\nhere is the scan you asked for.\n" * 9, "text file, but not an STL"),
        "short.stl": (b"hello", "text file, but not an STL"),
        "cut_text.stl": (ascii_stl[: len(ascii_stl) // 2], "cut short"),
        "bad_text.stl": (ascii_stl.replace(b"vertex 0", b"vertex zero", 1), "three coordinates"),
        "no_text_facets.stl": (b"solid nothing\nendsolid nothing\n", "no facets"),
        "nan.stl": (stl_bytes(nan), "facet 6"),
        "inf.stl": (stl_bytes(inf), "facet 7"),
        "nothing.stl": (stl_bytes(np.empty((0, 3, 3))), "no facets"),
        "point.stl": (stl_bytes(np.ones((4, 3, 3))), "no size"),
        "cut.ply": (ply[:-20], "cut short"),
        "noheader.ply": (b"ply\nformat ascii 1.0\nelement vertex 3\n", "header does not end"),
        "notply.ply": (whole, "does not start with 'ply'"),
        "odd.ply": (b"ply\nformat ascii 1.0\nelement vertex many\nend_header\n", "makes no sense"),
        "points.ply": (
            b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
            b"end_header\n0 0 0\n",
            "make no surface",
        ),
        "cut.off": (off[: len(off) // 2], "cut short"),
        "notoff.off": (obj, "does not start with 'OFF'"),
        "corner.off": (b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 7\n", "corner that does not exist"),
        "corner.obj": (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "corner that does not exist"),
        "zero.obj": (b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n", "corner that does not exist"),
        "bad.obj": (b"v 0 0 0\nv 1 zero 0\n", "line 2"),
        "nan.obj": (b"v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "not a finite number"),
        "nofaces.obj": (b"v 0 0 0\nv 1 0 0\n", "no facets"),
        "prose.obj": (b"nothing to see here\n", "no vertices"),
        "cut.glb": (glb[: len(glb) // 2], "glb"),
        "prose.glb": (b"nothing to see here\n", "glb"),
        "prose.3mf": (b"nothing to see here\n", "3MF"),
        "scan.dwg": (whole, "extension that is not known"),
        "scan": (whole, "extension that is not known"),
    }


BROKEN = sorted(_broken(Path(".")))


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_gives_one_sentence(tmp_path: Path, name: str) -> None:
    data, words = _broken(tmp_path)[name]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_mesh(path)
    message = str(caught.value)
    assert words in message
    assert str(path) in message
    assert "\n" not in message
    assert message.endswith(".")
    assert path.read_bytes() == data


def test_places_that_are_no_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="There is no file"):
        read_mesh(tmp_path / "missing.stl")
    (tmp_path / "folder.stl").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        read_mesh(tmp_path / "folder.stl")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may read every file")
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "ball.stl"
    path.write_bytes(stl_bytes(BALL.triangles))
    path.chmod(0)
    with pytest.raises(InputError, match="can't be read"):
        read_mesh(path)


def test_the_path_may_have_any_letters(tmp_path: Path) -> None:
    path = tmp_path / "Gehäuse №1 (neu).STL"
    path.write_bytes(stl_bytes(BALL.triangles))
    _same_ball(path)


def test_a_run_s_own_ply_tells_what_was_measured_and_its_unit(tmp_path: Path) -> None:
    path, faces = tmp_path / "light.ply", BALL.faces.astype(np.int32)
    origin = (np.arange(len(faces)) % 3).astype(np.uint8)
    write_ply(path, BALL.vertices, faces, np.full(len(faces), -1, np.int32), origin, ["part coordinates, unit in"])
    mesh = read_mesh(path)
    assert mesh.unit == "in"
    assert mesh.origin is not None
    places = {tuple(place): code for place, code in zip(BALL.triangles_center.round(4).tolist(), origin, strict=True)}
    read = mesh.vertices[mesh.faces].mean(axis=1).round(4)
    assert [places[tuple(place)] for place in read.tolist()] == mesh.origin.tolist()
    # The same bytes without the line that says so are anyone's, whatever its facets carry.
    other = tmp_path / "other.ply"
    other.write_bytes(path.read_bytes().replace(b"origin: 0", b"origin is"))
    assert read_mesh(other).origin is None
    assert read_mesh(other).unit is None


def test_a_run_s_own_ply_that_lost_what_it_promises_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "light.ply"
    BALL.export(path, encoding="ascii")
    text = path.read_text()
    path.write_text(text.replace("element vertex", f"comment {ORIGIN_COMMENT}\nelement vertex", 1))
    with pytest.raises(InputError, match="measured or filled"):
        read_mesh(path)
