"""Seeds of the campaign: small sound files of every form, made here, from which mutants are bred."""

from __future__ import annotations

import io
import json
import struct
from functools import cache
from pathlib import Path

import numpy as np
import trimesh

from pipeline.formats.meshes_out import write_3mf, write_ply

JOB = """\
scan = "scan.stl"
title = "Test block"
[read]
units = "mm"
[clean]
debris_share = 0.005
[[clean.exclude]]
shape = "sphere"
centre = "scan: [100.0, 0.0, 0.0]"
radius = 3.0
[recover]
coating_thickness = 0.01
min_area = 2.0
[names]
S1 = "drum"
[fill]
close = "safe"
ask_above = 100.0
[frame]
A = "S1"
z = "along A"
[lighten]
facets = 200
[audit]
max_deviation = 0.5
[export]
units = "mm"
step = "none"
dxf = false
report = false
"""
LEAN = 'scan = "{name}"\n[export]\nstep = "none"\ndxf = false\nreport = false\n'


def drum_of(radius: float, height: float) -> trimesh.Trimesh:
    """A drum about z, its foot at the origin, mm; facets as a scan has them, so that its faces are found: 1,440."""
    out, up = np.linspace(0.0, radius, 5), np.linspace(0.0, height, 9)
    foot, wall = np.column_stack([out, 0.0 * out]), np.column_stack([0.0 * up + radius, up])
    return trimesh.creation.revolve(np.vstack([foot, wall[1:], np.add(foot, [0.0, height])[-2::-1]]), sections=48)


@cache
def part() -> tuple[np.ndarray, np.ndarray]:
    """A drum with a little noise: vertices (n, 3) mm and faces (m, 3), 1,440 facets."""
    drum = drum_of(10.0, 20.0)
    noise = 0.01 * np.random.default_rng(1).normal(size=drum.vertices.shape)
    return np.asarray(drum.vertices + noise), np.asarray(drum.faces, dtype=np.int32)


def stl(corners: np.ndarray, count: int | None = None) -> bytes:
    """Binary STL of corners (m, 3, 3); `count` is what its header says instead of the truth."""
    rows = np.zeros(len(corners), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    with np.errstate(over="ignore", invalid="ignore"):
        rows["corners"] = corners
    return b"made for a test".ljust(80) + struct.pack("<I", len(rows) if count is None else count) + rows.tobytes()


@cache
def files() -> dict[str, bytes]:
    """The seeds: file name -> bytes."""
    vertices, faces = part()
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    out = {"scan.stl": stl(vertices[faces])}
    for name, kind in (
        ("text.stl", "stl_ascii"), ("scan.obj", "obj"), ("scan.off", "off"), ("scan.glb", "glb"), ("plain.ply", "ply"),
    ):  # fmt: skip
        made = mesh.export(file_type=kind)
        out[name] = made if isinstance(made, bytes) else made.encode()
    out["text.ply"] = trimesh.exchange.ply.export_ply(mesh, encoding="ascii")
    gltf = trimesh.exchange.gltf.export_gltf(trimesh.Scene(mesh), merge_buffers=True)
    model = json.loads(gltf["model.gltf"])
    buffer = next(bytes(data) for name, data in gltf.items() if name.endswith(".bin"))
    import base64

    model["buffers"] = [
        {"byteLength": len(buffer), "uri": "data:application/octet-stream;base64," + base64.b64encode(buffer).decode()}
    ]
    out["scan.gltf"] = json.dumps(model).encode()
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        write_3mf(Path(folder) / "a.3mf", vertices, faces, "mm")
        out["scan.3mf"] = (Path(folder) / "a.3mf").read_bytes()
        write_ply(Path(folder) / "a.ply", vertices, faces, np.full(len(faces), -1), np.zeros(len(faces), np.uint8))
        out["ours.ply"] = (Path(folder) / "a.ply").read_bytes()
        out["points.e57"] = _e57(Path(folder) / "a.e57", vertices)
    rows = [" ".join(f"{x:.4f}" for x in row) for row in vertices]
    out["points.xyz"] = "\n".join(rows).encode()
    out["points.csv"] = "\n".join(["x,y,z", *(row.replace(" ", ",") for row in rows)]).encode()
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
    head += "property double x\nproperty double y\nproperty double z\nend_header\n"
    out["points.ply"] = head.encode() + vertices.astype("<f8").tobytes()
    return out


def _e57(path: Path, points: np.ndarray) -> bytes:
    """Two scans of points, metres, the second with a pose."""
    import pye57

    file = pye57.E57(str(path), mode="w")
    for k, part in enumerate((points[::2], points[1::2])):
        data = {f"cartesian{axis}": 1e-3 * part[:, i] - 0.1 * k for i, axis in enumerate("XYZ")}
        file.write_scan_raw(data, rotation=np.array([1.0, 0, 0, 0]), translation=np.full(3, 0.1 * k))
    file.close()
    return path.read_bytes()


def zip_of(members: dict[str, bytes]) -> bytes:
    """A deflated archive."""
    import zipfile

    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return made.getvalue()
