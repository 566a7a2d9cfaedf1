"""Files of points: every form gives the same surface, no point moved; broken ones give one sentence.

Covers: pipeline.formats.meshes_in.text_points, pipeline.formats.meshes_in.e57_points
"""

from __future__ import annotations

import struct
from pathlib import Path

import e57
import numpy as np
import pye57
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.errors import InputError
from pipeline.formats.meshes_in import MeshFile, read_mesh

BALL = trimesh.creation.icosphere(3, radius=30.0)
POINTS = BALL.vertices + 0.01 * np.random.default_rng(3).normal(size=BALL.vertices.shape)
NORMALS = POINTS / np.linalg.norm(POINTS, axis=1, keepdims=True)


def _is_the_ball(mesh: MeshFile, scale: float = 1.0, digits: float = 1e-4) -> None:
    made = trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)
    assert len(made.vertices) == len(POINTS)
    gap = np.linalg.norm(made.vertices[:, None] - POINTS[None], axis=2).min(axis=1)
    assert gap.max() < digits  # none moved
    assert made.is_watertight  # a closed surface of n points has 2 n - 4 facets (Euler)
    assert len(made.faces) == 2 * len(POINTS) - 4
    assert made.volume > 0.0


def _text(header: str = "", columns: np.ndarray = POINTS, between: str = " ", end: str = "\n") -> bytes:
    lines = [between.join(f"{x:.5f}" for x in row) for row in columns]
    return (header + end.join(lines) + end).encode()


def _ply(form: str, normals: bool) -> bytes:
    names = ("x", "y", "z", *(("nx", "ny", "nz") if normals else ()))
    head = f"ply\nformat {form} 1.0\nelement vertex {len(POINTS)}\n"
    head += "".join(f"property double {name}\n" for name in names) + "end_header\n"
    rows = np.column_stack([POINTS, NORMALS]) if normals else POINTS
    if form == "ascii":
        return head.encode() + _text("", rows)
    return head.encode() + rows.astype("<f8" if "little" in form else ">f8").tobytes()


FORMS = {
    "plain.xyz": _text(),
    "tabs.asc": _text("# made for a test\n", between="\t", end="\r\n"),
    "with_normals.asc": _text("", np.column_stack([POINTS, NORMALS])),
    "coloured.pts": _text(f"{len(POINTS)}\n", np.column_stack([POINTS, np.full((len(POINTS), 4), 128)])),
    "named.csv": _text("i,nx,ny,nz,x,y,z\n", np.column_stack([np.zeros(len(POINTS)), NORMALS, POINTS]), ","),
    "semicolons.csv": _text('"X";"Y";"Z"\n', between="; "),
    "text.ply": _ply("ascii", True),
    "little.ply": _ply("binary_little_endian", False),
    "big.ply": _ply("binary_big_endian", True),
}


@pytest.mark.parametrize("name", FORMS)
def test_each_form_of_points(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(FORMS[name])
    mesh = read_mesh(path)
    _is_the_ball(mesh)
    assert mesh.unit is None
    assert "points without facets" in mesh.told[0]


def _write_e57(path: Path, scans: list[np.ndarray], poses: list[tuple[Rotation, np.ndarray] | None]) -> None:
    """By libE57Format, which is behind pye57; each scan in its own coordinates, metres."""
    file = pye57.E57(str(path), mode="w")
    for points, pose in zip(scans, poses, strict=True):
        data = {f"cartesian{axis}": points[:, k] for k, axis in enumerate("XYZ")}
        turn, shift = (None, None) if pose is None else (pose[0].as_quat(scalar_first=True), pose[1])
        file.write_scan_raw(data, rotation=turn, translation=shift)
    file.close()


def test_e57_is_metres_and_each_scan_has_its_pose(tmp_path: Path) -> None:
    """ASTM E2807: metres; a pose takes a scan's coordinates to those of the file. Beside the crate that `e57` wraps."""
    poses = [
        (Rotation.from_rotvec([0.3, -0.2, 0.5]), np.array([0.4, 0.1, -0.3])),
        (Rotation.from_rotvec([-1.0, 0.7, 0.1]), np.array([-0.2, 0.5, 0.3])),
    ]
    halves = [1e-3 * POINTS[:300], 1e-3 * POINTS[300:]]
    own = [turn.inv().apply(half - shift) for half, (turn, shift) in zip(halves, poses, strict=True)]
    path = tmp_path / "two.e57"
    _write_e57(path, own, list(poses))
    mesh = read_mesh(path)
    assert mesh.unit == "m"
    _is_the_ball(mesh, 1e3)
    assert np.abs(np.sort(e57.read_points(str(path)).points, axis=0) - np.sort(mesh.vertices, axis=0)).max() < 1e-9


def test_e57_without_a_pose(tmp_path: Path) -> None:
    path = tmp_path / "one.e57"
    _write_e57(path, [1e-3 * POINTS], [None])
    _is_the_ball(read_mesh(path), 1e3)


def test_normals_say_which_way_an_open_sheet_faces(tmp_path: Path) -> None:
    rows = np.array([*np.ndindex(20, 20, 1)], float) + 0.01 * np.random.default_rng(1).normal(size=(400, 3))
    for sign in (1.0, -1.0):
        path = tmp_path / f"sheet{sign}.xyz"
        path.write_bytes(_text("", np.column_stack([rows, np.tile([0.0, 0.0, sign], (400, 1))])))
        mesh = read_mesh(path)
        made = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        assert (made.face_normals[:, 2] * sign > 0.9).all()
        assert len(mesh.told) == 1


@pytest.mark.parametrize("seed", [1, 2])
def test_each_point_keeps_its_own_normal(tmp_path: Path, seed: int) -> None:
    """Two sheets that look at each other, their points mixed in the file."""
    rng = np.random.default_rng(seed)
    low = np.array([*np.ndindex(20, 20, 1)], float) + 0.01 * rng.normal(size=(400, 3))
    high = low + np.array([0.0, 0.0, 40.0])
    rows = np.vstack([np.column_stack([p, np.tile([0.0, 0.0, s], (400, 1))]) for p, s in ((low, 1.0), (high, -1.0))])
    path = tmp_path / "sheets.xyz"
    path.write_bytes(_text("", rows[rng.permutation(800)]))
    mesh = read_mesh(path)
    made = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    upwards = np.where(made.triangles_center[:, 2] < 20.0, 1.0, -1.0)
    assert (made.face_normals[:, 2] * upwards > 0.9).all()
    assert len(mesh.told) == 1


BROKEN = {
    "words.xyz": (b"nothing to see here\n", "neither starts with three numbers"),
    "names.csv": (b"a,b,c\n1,2,3\n", "names columns x, y and z"),
    "comma.csv": (b"1,5;2,5;3,5\n1,5;2,6;3,5\n", "decimal comma"),
    "commas.csv": (b"x,y,z\n1,5,2,5,3,5\n1,5,2,6,3,5\n", "decimal comma"),
    "short.xyz": (b"1 2 3\n4 5\n", "line 2 has no 3 numbers"),
    "word.xyz": (b"1 2 3\n4 five 6\n", "line 2 has no 3 numbers"),
    "not.xyz": (b"1 2 nan\n4 5 6\n7 8 9\n1 1 2\n", "not a finite number"),
    "two.xyz": (b"1 2 3\n4 5 6\n4 5 6\n", "make no surface"),
    "line.xyz": (b"1 0 0\n2 0 0\n3 0 0\n4 0 0\n", "too sparse for a surface"),
    "far.xyz": (b"1 2 1e300\n4 5 6\n7 8 9\n1 1 2\n", "make no surface"),
    "header.xyz": (b"# only this\n", "holds no line of three numbers"),
    "no.e57": (b"ASTM-E57" + bytes(400), "no sound E57 file"),
    "cut.ply": (_ply("binary_little_endian", False)[:-9], "cut short"),
    "lists.ply": (
        b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
        b"property list uchar int a\nend_header\n0 0 0 1 2\n",
        "a row of numbers each",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_points_give_one_sentence(tmp_path: Path, name: str) -> None:
    data, says = BROKEN[name]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(InputError, match=says) as error:
        read_mesh(path)
    assert str(error.value).isprintable()


def test_a_damaged_e57_is_refused_and_kept(tmp_path: Path) -> None:
    """Each page of an E57 file has a checksum (ASTM E2807), so no flipped bit goes through."""
    path = tmp_path / "scan.e57"
    _write_e57(path, [1e-3 * POINTS], [None])
    sound = path.read_bytes()
    draw = np.random.default_rng(7)
    for _ in range(40):
        bad = bytearray(sound)
        bad[draw.integers(len(bad))] ^= 1 << int(draw.integers(8))
        path.write_bytes(bad)
        with pytest.raises(InputError):
            read_mesh(path)
        assert path.read_bytes() == bytes(bad)
    path.write_bytes(sound[: len(sound) // 2])
    with pytest.raises(InputError):
        read_mesh(path)
    path.write_bytes(sound.replace(struct.pack("<Q", len(sound)), struct.pack("<Q", 1 << 40), 1))
    with pytest.raises(InputError):
        read_mesh(path)
