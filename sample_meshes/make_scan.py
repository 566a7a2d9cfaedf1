"""Make a scan of the demo part: what a structured-light scanner would leave of the exact design.

The clean mesh comes from `meshing`; here it is damaged as scans are (gaps, unseen depths, a plug, a stand,
debris, a second pass), given noise and a pose, and the truth is worked out from what is left to be seen.

usage: python make_scan.py --facets 200000 --seed 1 --out scan.stl
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from sample_meshes.design import Design, Extra, Face, Part
from sample_meshes.meshing import mesh

# Labels of facets that are not a machined face (1, 2, ... in the design's order) nor cast skin (0).
CAST, PLUG, STUB, DEBRIS, SECOND_PASS = 0, -1, -2, -3, -4
INCH = 25.4


@dataclass(frozen=True)
class Noise:
    """Standard deviations along the normal, mm; waves have covariance sigma^2 exp(-d^2 / (2 length^2))."""

    white: float = 0.012
    waves: tuple[tuple[float, float], ...] = ((0.005, 2.5), (0.004, 25.0))


@dataclass(frozen=True)
class Gap:
    """A region that was not scanned: everything within `radius` mm of `centre` (scan coordinates)."""

    centre: tuple[float, float, float]
    radius: float
    what: str


@dataclass(frozen=True)
class Scan:
    """A scan and all that is known about it; scan coordinates, mm.

    vertices  (n, 3) float64, with noise; true_vertices the same without noise
    faces     (m, 3) int32
    label     (m,) int16: number of the machined face, CAST, PLUG, STUB, DEBRIS or SECOND_PASS
    truth     the truth as it is written to JSON; to_scan (4, 4) moves part to scan coordinates
    """

    vertices: NDArray[np.float64]
    true_vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    label: NDArray[np.int16]
    truth: dict[str, object]
    gaps: tuple[Gap, ...]
    part: Part
    to_scan: NDArray[np.float64]
    edge: float

    def to_part(self, points: NDArray) -> NDArray[np.float64]:
        """Points (n, 3) from scan to part coordinates."""
        return (np.asarray(points, float) - self.to_scan[:3, 3]) @ self.to_scan[:3, :3]

    def distance(self, points: NDArray, rounded: bool = False) -> NDArray[np.float64]:
        """Signed distance of points (n, 3) in scan coordinates from the exact part, sharp edges by default."""
        return self.part.solid.distance(self.to_part(points), rounded)

    def face_of(self, points: NDArray) -> NDArray[np.int32]:
        """Number of the face that is nearest to each point (n, 3) in scan coordinates; 0 is cast skin."""
        return self.part.solid.face_of(self.to_part(points))

    def face(self, name: str) -> Face:
        """The design's face of that name, in part coordinates."""
        return next(f for f in self.part.faces if f.name == name)


def make_scan(
    facets: float = 200_000,
    seed: int = 1,
    design: Design | None = None,
    *,
    edge: float | None = None,
    noise: Noise | None = None,
    edge_radius: float = 0.35,
    meshing: str = "even",
    gaps: int = 5,
    gap_radius: tuple[float, float] = (5.0, 10.0),
    gap_kinds: Sequence[str] = ("skin", "skin", "face", "edge"),
    unseen_depths: bool = True,
    plug: bool = True,
    stub: bool = False,
    debris: int = 4,
    second_pass: bool = False,
    coating: float = 0.0,
    pose: bool = True,
) -> Scan:
    """A scan of `design` (the demo part unless given).

    facets       wanted facets of the scan, met within a few per cent; or `edge`, the mean edge in mm
    seed         of everything random: noise, places of gaps and debris, pose
    noise        None for the usual noise; Noise(0, ()) for none
    edge_radius  radius that the scanner leaves on sharp edges, mm
    gaps         how many regions a clamp or a shadow hid, their kinds taken in turn from `gap_kinds`: in
                 cast "skin", inside one machined "face", across the "edge" of two machined faces
    unseen_depths  whether holes deeper than 2 to 2.5 diameters lack their depths
    plug, stub   rough paper in the cross bore; a post of the stand that runs into the scan's border
    debris       crumbs that float round the part
    second_pass  a patch scanned twice, 20 um apart
    coating      thickness of matting spray on every face, mm
    pose         whether the scan lies arbitrarily in space, or as the part was designed
    """
    design = design or Design.sample()
    noise = noise or Noise()
    streams = iter([np.random.default_rng([seed, k]) for k in range(8)])
    to_scan = _pose(next(streams)) if pose else np.eye(4)
    part = design.part(edge_radius, _extras(design, plug, stub), coating)
    grid_turn = to_scan[:3, :3].T if pose else Rotation.from_rotvec([0.3, 0.2, 0.5]).as_matrix()

    # A coarse mesh of the same solid places the damage, so that it is the same at every density.
    coarse, coarse_faces = mesh(part.solid, part.low, part.high, 2.0, grid_turn)
    hidden = _plan_hidden(design, part, next(streams), unseen_depths, stub)
    planned = _plan_gaps(part, coarse, coarse_faces, next(streams), gaps, gap_radius, gap_kinds)
    seen = _seen(coarse, coarse_faces, hidden, planned)
    h = 2.0 * (np.sqrt(seen.sum() / facets) if edge is None else edge / _mean_edge(coarse, coarse_faces))
    vertices, faces = mesh(part.solid, part.low, part.high, h, grid_turn, meshing)

    label = _labels(part, vertices, faces, coating)
    keep = _seen(vertices, faces, hidden, planned)
    vertices, faces, label = _kept(vertices, faces[keep], label[keep])
    truth = _truth(part, to_scan, vertices, faces, label, coating)
    normals = part.solid.normals(vertices, rounded=True)
    noisy = vertices + normals * noise_along_normal(vertices, noise, next(streams))[:, None]

    pieces = [(vertices, noisy, faces, label)]
    rng = next(streams)
    if second_pass:
        pieces.append(_second_pass(vertices, normals, faces, label, noise, rng))
    rng = next(streams)
    size = _mean_edge(vertices, faces)
    pieces += [_crumb(part, vertices, size, rng) for _ in range(debris)]
    starts = np.cumsum([0] + [len(p[0]) for p in pieces])
    true_vertices = np.vstack([p[0] for p in pieces]) @ to_scan[:3, :3].T + to_scan[:3, 3]
    vertices = np.vstack([p[1] for p in pieces]) @ to_scan[:3, :3].T + to_scan[:3, 3]
    faces = np.vstack([p[2] + at for p, at in zip(pieces, starts[:-1], strict=True)]).astype(np.int32)
    label = np.concatenate([p[3] for p in pieces]).astype(np.int16)
    listed = tuple(
        Gap(tuple(float(v) for v in to_scan[:3, :3] @ g.centre + to_scan[:3, 3]), g.radius, g.what) for g in planned
    )
    truth |= {
        "gaps": [asdict(g) for g in listed],
        "facets": len(faces),
        "mean_edge": round(size, 4),
        "noise": asdict(noise),
        "seed": seed,
        "coating": coating,
        "edge_radius": edge_radius,
        "not_the_part": [
            {
                "what": "plug" if e.number == PLUG else "stub",
                "start": (to_scan[:3, :3] @ e.start + to_scan[:3, 3]).tolist(),
                "direction": (to_scan[:3, :3] @ e.axis).tolist(),
                "radius": e.radius,
                "length": e.length,
            }
            for e in _extras(design, plug, stub)
        ]
        + [{"what": "debris", "count": debris, "facets": int((label == DEBRIS).sum())}],
    }
    return Scan(vertices, true_vertices, faces, label, truth, listed, part, to_scan, size)


def _pose(rng: np.random.Generator) -> NDArray[np.float64]:
    out = np.eye(4)
    out[:3, :3] = Rotation.random(random_state=rng).as_matrix()
    out[:3, 3] = rng.uniform(-150.0, 150.0, 3)
    return out


def _extras(d: Design, plug: bool, stub: bool) -> tuple[Extra, ...]:
    out = []
    if plug:
        start = np.array([d.cross_position, 0.0, d.cross_height - 1.3 * d.cross_radius])
        out.append(Extra(PLUG, start, np.array([0.0, 0.0, -1.0]), d.cross_radius + 1.5, 11.0))
    if stub:
        a = np.radians(-60.0)
        axis = np.array([-0.1, np.cos(a), np.sin(a)])
        axis /= np.linalg.norm(axis)
        start = np.array([d.flange_thickness * 0.5, 0.0, 0.0]) + axis * (d.flange_radius - 6.0)
        out.append(Extra(STUB, start, axis, 7.0, 70.0, blend=1.0))
    return tuple(out)


@dataclass(frozen=True)
class _Hidden:
    """A region without facets: within `radius` of the axis from `point`, between `low` and `high`."""

    point: NDArray[np.float64]
    axis: NDArray[np.float64]
    radius: float
    low: float
    high: float


def _plan_hidden(design: Design, part: Part, rng: np.random.Generator, depths: bool, stub: bool) -> list[_Hidden]:
    out = []
    for hole in part.holes:
        reach = rng.uniform(2.0, 2.5) * 2.0 * hole.radius
        if depths and hole.depth > reach * (2.0 if hole.through else 1.0):
            high = hole.depth - reach if hole.through else hole.depth + 1.0
            if high > reach:
                out.append(_Hidden(hole.mouth, hole.inward, hole.radius + 0.6, reach, high))
    out += [
        _Hidden(e.start, e.axis, e.radius + 6.0, 0.7 * e.length, e.length + 9.0) for e in _extras(design, False, stub)
    ]
    return out


def _seen(vertices: NDArray, faces: NDArray, hidden: Sequence[_Hidden], gaps: Sequence[Gap]) -> NDArray[np.bool_]:
    """Which facets were scanned: those all of whose corners were."""
    gone = np.zeros(len(vertices), bool)
    for region in hidden:
        w = vertices - region.point
        s = w @ region.axis
        rho2 = np.einsum("ij,ij->i", w, w) - s * s
        gone |= (s > region.low) & (s < region.high) & (rho2 < region.radius**2)
    for gap in gaps:
        w = vertices - np.array(gap.centre)
        gone |= np.einsum("ij,ij->i", w, w) < gap.radius**2
    return ~gone[faces].any(axis=1)


def _kept(vertices: NDArray, faces: NDArray, label: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """The mesh without vertices that no facet uses."""
    used = np.zeros(len(vertices), bool)
    used[faces.ravel()] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces].astype(np.int32), label


def _mean_edge(vertices: NDArray, faces: NDArray) -> float:
    pick = faces[:: max(1, len(faces) // 50_000)]
    a, b, c = (vertices[pick[:, k]] for k in range(3))
    return float(np.mean([np.linalg.norm(p - q, axis=1).mean() for p, q in ((a, b), (b, c), (c, a))]))


def _labels(part: Part, vertices: NDArray, faces: NDArray, coating: float) -> NDArray[np.int16]:
    """Face number of each facet, from its centroid."""
    out = np.empty(len(faces), np.int16)
    for at in range(0, len(faces), 1_000_000):
        chunk = faces[at : at + 1_000_000]
        out[at : at + len(chunk)] = part.solid.face_of(vertices[chunk].mean(axis=1))
    return out


def _plan_gaps(
    part: Part,
    vertices: NDArray,
    faces: NDArray,
    rng: np.random.Generator,
    count: int,
    radius: tuple[float, float],
    kinds: Sequence[str],
) -> list[Gap]:
    """Places for gaps on the coarse mesh: one sheet of surface each, apart from one another."""
    face = np.zeros(len(vertices), np.int64)
    face[:] = part.solid.face_of(vertices)
    normals = part.solid.normals(vertices, rounded=True)
    tree = cKDTree(vertices)
    names = {f.number: f.name for f in part.faces} | {0: "cast skin"}
    out: list[Gap] = []
    for i in range(count):
        kind = kinds[i % len(kinds)]
        if kind not in ("skin", "face", "edge"):
            raise ValueError(f'A gap is in the "skin", inside a "face" or across an "edge", not "{kind}".')
        pool = np.flatnonzero(face == 0) if kind == "skin" else np.flatnonzero(face > 0)
        for attempt in range(3000):
            r = rng.uniform(*radius) * 0.9985**attempt
            v = int(rng.choice(pool))
            if any(np.linalg.norm(vertices[v] - g.centre) < r + g.radius + 5.0 for g in out):
                continue
            near = np.array(tree.query_ball_point(vertices[v], r + 2.5))
            if kind == "edge":
                touching = np.unique(face[tree.query_ball_point(vertices[v], 2.2)])
                fits = len(touching) == 2 and set(np.unique(face[near])) == set(touching)
                fits &= touching[0] > 0
            else:
                fits = bool((face[near] == face[v]).all())
            mean = normals[near].mean(axis=0)
            if fits and (normals[near] @ mean > 0.3 * np.linalg.norm(mean)).all():
                here = names[face[v]] if kind != "edge" else " | ".join(names[f] for f in touching)
                out.append(Gap(tuple(float(c) for c in vertices[v]), float(r), f"{kind}: {here}"))
                break
    return out


@njit(cache=True, parallel=True)
def _cosines(points, waves, phases, scale):
    out = np.zeros(len(points))
    for i in prange(len(points)):
        total = 0.0
        for k in range(len(waves)):
            total += np.cos(
                waves[k, 0] * points[i, 0] + waves[k, 1] * points[i, 1] + waves[k, 2] * points[i, 2] + phases[k]
            )
        out[i] = scale * total
    return out


def noise_along_normal(points: NDArray, noise: Noise, rng: np.random.Generator) -> NDArray[np.float64]:
    """Noise along the normal; the waves by random Fourier features (Rahimi and Recht 2007)."""
    out = noise.white * rng.standard_normal(len(points))
    for sigma, length in noise.waves:
        count = 128
        waves, phases = rng.standard_normal((count, 3)) / length, rng.uniform(0, 2 * np.pi, count)
        out += _cosines(points, waves, phases, sigma * np.sqrt(2.0 / count))
    return out


def _second_pass(vertices, normals, faces, label, noise, rng):
    """A patch of skin scanned once more: other vertices, 20 um above the first pass."""
    centre = vertices[rng.choice(np.unique(faces[label == CAST]))]
    keep = (np.linalg.norm(vertices[faces] - centre, axis=2) < 16.0).all(axis=1)
    keep &= (normals[faces] @ normals[np.argmin(np.linalg.norm(vertices - centre, axis=1))] > 0.3).all(axis=1)
    points = vertices + 0.020 * normals
    slide = rng.normal(scale=0.1 * _mean_edge(vertices, faces), size=points.shape)
    slide -= np.einsum("ij,ij->i", slide, normals)[:, None] * normals
    points, patch, _ = _kept(np.hstack([points + slide, normals]), faces[keep], label[keep])
    noisy = points[:, :3] + points[:, 3:] * noise_along_normal(points[:, :3], noise, rng)[:, None]
    return points[:, :3], noisy, patch, np.full(len(patch), SECOND_PASS)


def _crumb(part, vertices, size, rng):
    """A small closed blob that floats near the part: an octahedron split and roughened."""
    radius = rng.uniform(1.5, 3.0) * max(size, 0.6)
    points = np.vstack([np.eye(3), -np.eye(3)])
    faces = np.array([[0, 1, 2], [1, 3, 2], [3, 4, 2], [4, 0, 2], [1, 0, 5], [3, 1, 5], [4, 3, 5], [0, 4, 5]])
    for _ in range(max(1, round(np.log2(1.4 * radius / size)))):
        points, faces = _quartered(points, faces)
    points *= radius / np.linalg.norm(points, axis=1)[:, None]
    points *= 1.0 + 0.15 * rng.standard_normal((len(points), 1))
    while True:
        spot = vertices[rng.integers(len(vertices))] + rng.normal(scale=14.0, size=3)
        if part.solid.distance(spot[None])[0] > 2.0 * radius + 3.0:
            return points + spot, points + spot, faces.astype(np.int32), np.full(len(faces), DEBRIS)


def _quartered(points, faces):
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, index = np.unique(edges, axis=0, return_inverse=True)
    mid = index.reshape(-1, 3) + len(points)
    a, b, c = faces.T
    d, e, f = mid.T
    split = np.vstack([np.column_stack(t) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))])
    return np.vstack([points, points[unique].mean(axis=1)]), split


def _on_face(face: Face, points: NDArray, coating: float) -> NDArray[np.bool_]:
    """Which points (n, 3), part coordinates, lie on the exact face and not on a rounded edge."""
    w = points - face.point
    if face.kind == "plane":
        off = w @ face.direction - coating
    elif face.kind == "sphere":
        off = np.linalg.norm(w, axis=1) - (face.radius - coating)
    else:
        s = w @ face.direction
        rho = np.sqrt(np.maximum(np.einsum("ij,ij->i", w, w) - s * s, 0.0))
        grown = coating if face.side == "boss" else -coating
        if face.kind == "cylinder":
            off = rho - (face.radius + grown)
        elif face.kind == "cone":
            half = np.radians(face.half_angle)
            off = (rho - face.radius - np.tan(half) * s) * np.cos(half) - grown
        else:
            off = np.hypot(rho - face.major_radius, s) - (face.radius - coating)
    return np.abs(off) < 1e-6


def _neighbours(faces: NDArray, count: int) -> csr_matrix:
    pairs = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    ones = np.ones(len(pairs), np.int8)
    return csr_matrix((ones, (pairs[:, 0], pairs[:, 1])), shape=(count, count))


def _rings(faces: NDArray) -> int:
    """How many rings of facets can be taken off a region before nothing is left (at most 4)."""
    used, local = np.unique(faces, return_inverse=True)
    local = local.reshape(-1, 3)
    half = np.vstack([local[:, [0, 1]], local[:, [1, 2]], local[:, [2, 0]]])
    edges, counts = np.unique(np.sort(half, axis=1), axis=0, return_counts=True)
    rim = np.zeros(len(used), bool)
    rim[edges[counts == 1].ravel()] = True
    links = _neighbours(local, len(used))
    links = links + links.T
    for rings in range(4):
        if rim.all():
            return rings
        rim = rim | ((links @ rim.astype(np.int32)) > 0)
    return 4


def _truth(
    part: Part, to_scan: NDArray, vertices: NDArray, faces: NDArray, label: NDArray, coating: float
) -> dict[str, object]:
    """What can be asked of a tool: each machined face with how much of it is to be seen in this scan.

    A face is required where enough of it was scanned exactly (rounded edges do not count): planes from
    60 mm2 and 6 edges of width; cylinders from 120 deg of arc, 4 mm and 4 edges of length and 12 edges round;
    cones and spheres from 5 edges of width. Tori are not required.
    """
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], np.arange(1, len(part.faces) + 2))
    features = []
    for face in part.faces:
        mine = faces[order[starts[face.number - 1] : starts[face.number]]]
        if len(mine):
            exact = _on_face(face, vertices[mine.ravel()], coating).reshape(-1, 3)
            mine = mine[exact.all(axis=1)]
        if len(mine):
            features.append(_feature(face, vertices, mine))
    return {"to_scan": to_scan.tolist(), "units": {"length": "mm", "angle": "deg"}, "features": features}


def _feature(face: Face, vertices: NDArray, mine: NDArray) -> dict[str, object]:
    a, b, c = (vertices[mine[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    centroid = (a + b + c).T @ areas / (3 * areas.sum())
    points = vertices[np.unique(mine)]
    edge = float(np.linalg.norm(b - a, axis=1).mean())
    rings = _rings(mine)
    out: dict[str, object] = {
        "name": face.name,
        "kind": face.kind,
        "side": face.side,
        "direction": None if face.direction is None else face.direction.tolist(),
        "radius": face.radius,
        "half_angle": face.half_angle,
    }
    if face.major_radius is not None:
        out["major_radius"] = face.major_radius
    length = arc = None
    if face.kind == "plane":
        point = centroid - face.direction * ((centroid - face.point) @ face.direction)
        required = areas.sum() >= 60.0 and rings >= 3
    elif face.kind == "sphere":
        point = face.point
        required = areas.sum() >= 60.0 and rings >= 3
    else:
        w = points - face.point
        s = w @ face.direction
        length = float(s.max() - s.min())
        middle = (s.max() + s.min()) / 2
        point = face.point + face.direction * middle
        if face.kind == "cone":
            out["radius"] = face.radius + np.tan(np.radians(face.half_angle)) * middle
        if face.kind == "torus":
            point = face.point
        flat = w - s[:, None] * face.direction
        helper = np.eye(3)[np.argmin(np.abs(face.direction))]
        u = np.cross(face.direction, helper)
        u /= np.linalg.norm(u)
        angle = np.arctan2(flat @ np.cross(face.direction, u), flat @ u)
        arc = _arc(angle, edge / float(out["radius"]) if face.kind != "torus" else 0.1)
        if face.kind == "cylinder":
            around = np.radians(arc) * face.radius / edge
            required = arc >= 120.0 and length >= max(4.0, 4.0 * edge) and rings >= 2 and around >= 12.0
        elif face.kind == "cone":
            slant = length / np.cos(np.radians(face.half_angle))
            required = arc >= 120.0 and slant >= 5.0 * edge and rings >= 2
        else:
            required = False
    out |= {
        "point": point.tolist(),
        "length": length,
        "arc": arc,
        "area": float(areas.sum()),
        "reach": float(np.linalg.norm(points - point, axis=1).max()),
        "facets": len(mine),
        "required": bool(required),
    }
    return out


def _arc(angles: NDArray, step: float) -> float:
    """Degrees of the circle that are covered: all but the gaps wider than three steps between points."""
    ordered = np.sort(angles)
    gaps = np.diff(np.append(ordered, ordered[0] + 2 * np.pi))
    return float(360.0 - np.degrees(gaps[gaps > 3 * step].sum()))


def _write(path: Path, data: bytes | memoryview) -> None:
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def write_stl(path: str | Path, scan: Scan, units: str = "mm") -> None:
    """Write a binary STL, whole or not at all; units "mm" or "in"."""
    if units not in ("mm", "in"):
        raise ValueError(f'Units must be "mm" or "in", not "{units}".')
    scale = 1.0 if units == "mm" else 1.0 / INCH
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    data = np.zeros(84 + len(scan.faces) * record.itemsize, np.uint8)
    data[:80] = np.frombuffer(b"demo scan of a bearing housing".ljust(80), np.uint8)
    data[80:84] = np.frombuffer(np.uint32(len(scan.faces)).tobytes(), np.uint8)
    records = data[84:].view(record)
    vertices = (scan.vertices * scale).astype(np.float32)
    for at in range(0, len(scan.faces), 1_000_000):
        corners = vertices[scan.faces[at : at + 1_000_000]]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-30)[:, None]
        records["normal"][at : at + len(corners)] = normal
        records["corners"][at : at + len(corners)] = corners
    _write(Path(path), data.data)


def write_ply(path: str | Path, scan: Scan) -> None:
    """Write an indexed binary PLY (float32 vertices, int32 corners), mm, whole or not at all."""
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment demo scan of a bearing housing, mm\n"
        f"element vertex {len(scan.vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(scan.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode("ascii")
    records = np.empty(len(scan.faces), np.dtype([("count", "u1"), ("corners", "<i4", 3)]))
    records["count"], records["corners"] = 3, scan.faces
    _write(Path(path), header + scan.vertices.astype("<f4").tobytes() + records.tobytes())


def write_truth(path: str | Path, scan: Scan) -> None:
    """Write the truth as JSON, whole or not at all."""
    _write(Path(path), (json.dumps(scan.truth, indent=1) + "\n").encode("utf-8"))


def write_dimensions(path: str | Path, design: Design) -> None:
    """Write every dimension of a design as JSON, whole or not at all."""
    _write(Path(path), (json.dumps(design.dimensions(), indent=1) + "\n").encode("utf-8"))


def main(arguments: Sequence[str] | None = None) -> None:
    options = argparse.ArgumentParser(description="Make a scan of the demo part, its truth and its dimensions.")
    options.add_argument("--facets", type=float, default=200_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--out", type=Path, required=True, help="scan to write: .stl or .ply")
    options.add_argument("--design", type=int, help="seed of a housing of other dimensions")
    options.add_argument("--units", choices=("mm", "in"), default="mm")
    options.add_argument("--meshing", choices=("even", "cubes"), default="even")
    options.add_argument("--gaps", type=int, default=5)
    options.add_argument("--stub", action="store_true", help="leave a post of the stand in the scan")
    options.add_argument("--second-pass", action="store_true", help="scan a patch twice")
    options.add_argument("--coating", type=float, default=0.0, help="thickness of matting spray, mm")
    given = options.parse_args(arguments)
    design = Design.sample() if given.design is None else Design.varied(given.design)
    scan = make_scan(
        given.facets,
        given.seed,
        design,
        meshing=given.meshing,
        gaps=given.gaps,
        stub=given.stub,
        second_pass=given.second_pass,
        coating=given.coating,
    )
    if given.out.suffix == ".ply":
        write_ply(given.out, scan)
    else:
        write_stl(given.out, scan, given.units)
    stem = given.out.stem.removesuffix("_scan")
    write_truth(given.out.with_name(stem + "_truth.json"), scan)
    write_dimensions(given.out.with_name(stem + "_dimensions.json"), design)


if __name__ == "__main__":
    main()
