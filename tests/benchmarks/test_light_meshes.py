"""Light meshes of scans, as they stand in the file: closed where the scan is, manifold, nothing that crosses.

Scans of the demo's generator, of one by an implicit function with sharp edges, and open CAD parts made dense.
Open and manifold edges by trimesh, crossing facets by pymeshlab, both on single precision as STL has it.

Run with: pytest -m slow tests/benchmarks/test_light_meshes.py -s
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pymeshlab
import pytest
import trimesh

from pipeline import run
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import transformed
from pipeline.job import make_job
from tests.holed import holed_scan
from tests.scans import demo_scan, open_part, scan_like

pytestmark = pytest.mark.slow

DEMOS = {
    "demo": {"seed": 1},
    "demo, a million": {"seed": 1, "facets": 1e6},
    "design 1, stub": {"seed": 31, "design": 1, "stub": True},
    "design 2, marching cubes": {"seed": 32, "design": 2, "meshing": "cubes"},
    "design 3, coated": {"seed": 33, "design": 3, "coating": 0.03, "gaps": 9},
    "design 4, scanned twice": {"seed": 34, "design": 4, "second_pass": True},
    "design 5, cubes, coated": {"seed": 35, "design": 5, "meshing": "cubes", "coating": 0.02},
    "design 6, nine gaps": {"seed": 36, "design": 6, "gaps": 9},
    "design 7, stub, cubes": {"seed": 37, "design": 7, "stub": True, "meshing": "cubes"},
    "design 10, cubes, a million": {"seed": 20, "design": 10, "meshing": "cubes", "facets": 1e6},
}
# Seed and form; which of their holes and marks are hidden goes by the seed.
HOLED = {
    "implicit block": (200, "block"),
    "implicit housing": (201, "housing"),
    "implicit block, another": (202, "block"),
    "implicit housing, another": (203, "housing"),
}
# Name, scale, edge in mm.
PARTS = {
    "TR12J_OCC64K.stl": (1.0, 3.35),
    "TR12J_OCC.stl": (1.0, 3.35),
    "sh1.stl": (1.0, 0.5),
    "linkrods.step": (25.4, 0.4),
    "CrankArm.brep": (1.0, 0.44),
    "nema-17-bracket.step": (1.0, 0.22),
    "t13_data.stl": (1.0, 0.5),
}


def _scan(name: str) -> tuple[np.ndarray, np.ndarray]:
    if name in DEMOS:
        scan = demo_scan(**{"facets": 2e5, **DEMOS[name]})
        return scan.vertices, scan.faces
    if name in HOLED:
        seed, form = HOLED[name]
        holed = holed_scan(seed, 0.9, form)
        return holed.vertices, holed.faces
    scale, edge = PARTS[name]
    made = scan_like(open_part(name, scale), edge)
    return made.vertices, made.faces


def _figures(vertices: np.ndarray, faces: np.ndarray) -> tuple[dict[str, int], np.ndarray]:
    """What a reader of the file finds: vertices that are equal in single precision are one; corners of what crosses."""
    single = vertices.astype(np.float32)
    read = trimesh.Trimesh(
        single[faces].reshape(-1, 3), np.arange(3 * len(faces)).reshape(-1, 3), process=True, validate=False
    )
    edges = np.sort(read.edges, axis=1)
    _, counts = np.unique(edges, axis=0, return_counts=True)
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(np.array(read.vertices), np.array(read.faces)))
    meshes.compute_selection_by_self_intersections_per_face()
    crossing = meshes.current_mesh().face_selection_array()
    found = {
        "facets": len(read.faces),
        "open": int((counts == 1).sum()),
        "nonmanifold": int((counts > 2).sum()),
        "no area": int((read.area_faces == 0.0).sum()),
        "crossing": int(crossing.sum()),
    }
    return found, np.array(read.vertices)[np.array(read.faces)[crossing]]


@pytest.mark.parametrize("name", [*DEMOS, *HOLED, *PARTS])
def test_what_is_written_is_sound(name: str, tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    write_stl(path, *_scan(name), "mm")
    wrong = []
    for edges in ("as-scanned", "sharp"):
        job = make_job({"scan": path, "lighten": {"facets": 100_000 if "million" in name else 20_000, "edges": edges}})
        made = run(job, out=tmp_path / "out", until="lighten")
        in_part = [transformed(made.frame.matrix, s.vertices) for s in (made.fill.surface, made.lighten.surface)]
        scan, there = _figures(in_part[0], made.fill.surface.faces)
        write_stl(tmp_path / "light.stl", in_part[1], made.lighten.surface.faces, "mm")
        light, crossing = _figures(*_read(tmp_path / "light.stl"))
        print(f"\n{name}, {edges}:\n  scan  {scan}\n  light {light}")
        good = light["facets"] == made.lighten.surface.facets and light["open"] <= scan["open"]
        good = good and light["nonmanifold"] == light["no area"] == 0
        # Where the scan crosses itself the light mesh may: within its own facets' size of such a place.
        for corners in crossing:
            size = np.linalg.norm(np.ptp(corners, axis=0))
            good = good and len(there) > 0
            good = good and np.linalg.norm(there.mean(axis=1) - corners.mean(axis=0), axis=1).min() <= size
        if not good:
            wrong.append(f"{edges}: scan {scan}, light {light}")
    assert not wrong


def _read(path: Path) -> tuple[np.ndarray, np.ndarray]:
    rows = np.frombuffer(path.read_bytes()[84:], np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("s", "<u2")]))
    return rows["c"].reshape(-1, 3).astype(float), np.arange(3 * len(rows)).reshape(-1, 3)
