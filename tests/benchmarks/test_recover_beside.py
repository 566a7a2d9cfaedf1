"""Recovery beside general libraries: found, false, CPU seconds on the same scans, by the same scorer.

Efficient RANSAC (Schnabel, Wahl, Klein, Computer Graphics Forum 26 (2007) 214-226) as CGAL has it, with points and
normals of the vertices and what it asks for taken from the scan (four standard deviations of its noise, four
edges, a two-thousandth of the points), and open3d's planar patches with its defaults, held to planes only.

Run with: pytest -m slow tests/benchmarks/test_recover_beside.py -s
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.mesh.topology.measures import mean_edge, vertex_normals
from tests.cpu import cpu
from tests.scans import demo_scan
from tests.scorer import Score, score
from tests.stages.test_recover import as_datums, recovered

pytestmark = pytest.mark.slow

_NUMBER = r"(-?\d+\.?\d*(?:e[-+]?\d+)?)"
_TRIPLE = rf"\({_NUMBER}, {_NUMBER}, {_NUMBER}\)"
_PATTERNS = {
    "plane": rf"plane {_TRIPLE}x - {_NUMBER}= 0",
    "cylinder": rf"cylinder center: {_TRIPLE} axis: {_TRIPLE} radius:{_NUMBER}",
    "cone": rf"cone apex: {_TRIPLE} axis: {_TRIPLE} angle:{_NUMBER}",
    "sphere": rf"sphere center: {_TRIPLE} radius:{_NUMBER}",
}


@dataclass(frozen=True)
class Outcome:
    name: str
    found: int
    false: int
    seconds: float


def _outcome(name: str, scored: Score, wanted: set[str], seconds: float) -> Outcome:
    return Outcome(name, len(wanted) - len(wanted & set(scored.missed)), len(scored.false), seconds)


def _ours(scan):
    small = demo_scan(50_000, 1)
    recovered(small.vertices, small.faces)  # compiles the kernels
    start = cpu()
    result = recovered(scan.vertices, scan.faces)
    return as_datums(result), cpu() - start


def _by_ransac(scan):
    kernel = pytest.importorskip("CGAL.CGAL_Kernel", reason="pip install cgal (extra bench) for this comparison")
    from CGAL.CGAL_Point_set_3 import Point_set_3
    from CGAL.CGAL_Shape_detection import efficient_RANSAC

    normals = vertex_normals(scan.vertices, scan.faces)
    points = Point_set_3()
    points.add_normal_map()
    for point, normal in zip(scan.vertices.tolist(), normals.tolist(), strict=True):
        points.insert(kernel.Point_3(*point), kernel.Vector_3(*normal))
    shape_of = points.add_int_map("shape")
    within = 4.0 * white_sigma(scan.vertices, scan.faces)
    apart = 4.0 * mean_edge(scan.vertices, scan.faces)
    least = max(100, len(scan.vertices) // 2000)
    start = cpu()
    described = list(efficient_RANSAC(points, shape_of, least, within, apart, 0.9, 0.05, True, True, True, True, False))
    seconds = cpu() - start
    owner = np.array([shape_of.get(i) for i in range(len(scan.vertices))])  # its own order of them is another
    features = [_read(text, str(k), scan.vertices[owner == k], normals[owner == k]) for k, text in enumerate(described)]
    return {"features": features}, seconds


def _read(text: str, name: str, points: np.ndarray, normals: np.ndarray) -> dict[str, object]:
    """A feature from RANSAC's words; its side and where along its axis it lies from the points it took."""
    kind, match = next((k, m) for k, p in _PATTERNS.items() if (m := re.search(p, text)))
    figures = np.array([float(x) for x in match.groups()])
    middle = points.mean(axis=0)
    out: dict[str, object] = {"id": name, "kind": kind, "side": None, "radius": None, "half_angle": None}
    if kind == "plane":
        direction = figures[:3] / np.linalg.norm(figures[:3])
        return {**out, "point": middle, "direction": direction * np.sign(direction @ normals.mean(axis=0))}
    centre = figures[:3]
    direction = None if kind == "sphere" else figures[3:6] / np.linalg.norm(figures[3:6])
    away = points - centre
    if direction is not None:
        away = away - (away @ direction)[:, None] * direction
        centre = centre + float((middle - centre) @ direction) * direction
    out["side"] = "boss" if float(np.einsum("ij,ij->", away, normals)) > 0 else "bore"
    if kind == "cone":
        out["half_angle"] = float(np.degrees(figures[6]))
    else:
        out["radius"] = float(figures[-1])
    return {**out, "point": centre, "direction": direction}


def _by_planar_patches(scan):
    import open3d as o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(scan.vertices))
    cloud.normals = o3d.utility.Vector3dVector(vertex_normals(scan.vertices, scan.faces))
    start = cpu()
    boxes = cloud.detect_planar_patches()
    seconds = cpu() - start
    features = []
    for k, box in enumerate(boxes):
        direction = np.asarray(box.R)[:, 2]
        inside = box.get_point_indices_within_bounding_box(cloud.points)
        mean = np.asarray(cloud.normals)[inside].mean(axis=0) if inside else direction
        side = direction if direction @ mean >= 0 else -direction
        features.append({"id": str(k), "kind": "plane", "side": None, "point": box.center, "direction": side})
    return {"features": features}, seconds


@pytest.mark.parametrize("facets", [200_000, 1_000_000])
def test_finds_more_and_less_that_is_false(facets):
    scan = demo_scan(facets, 1)
    wanted = {f["name"]: f["kind"] for f in scan.truth["features"] if f.get("required", True)}
    planes = {name for name, kind in wanted.items() if kind == "plane"}
    ours, seconds = _ours(scan)
    ransac, ransac_seconds = _by_ransac(scan)
    patches, patch_seconds = _by_planar_patches(scan)
    all_kinds = [
        _outcome("datumlift", score(scan.truth, ours), set(wanted), seconds),
        _outcome("efficient RANSAC", score(scan.truth, ransac), set(wanted), ransac_seconds),
    ]
    flat = {"features": [f for f in ours["features"] if f["kind"] == "plane"]}
    flat_ones = [
        _outcome("datumlift, planes", score(scan.truth, flat), planes, seconds),
        _outcome("planar patches", score(scan.truth, patches), planes, patch_seconds),
    ]
    print(f"\n{len(scan.faces)} facets, {len(wanted)} wanted, {len(planes)} of them planes")
    for row in (*all_kinds, *flat_ones):
        print(f"{row.name:20s} found {row.found:3d}  false {row.false:4d}  {row.seconds:7.1f} s CPU")
    for mine, other in (all_kinds, flat_ones):
        assert mine.found >= other.found
        assert mine.false < other.false
