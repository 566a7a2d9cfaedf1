"""Scans for tests: the demo part at any density, and open CAD parts made into scans. Cached on disk.

Open parts come from Debian's occt-misc (LGPL-2.1 with exception), the gmsh wheel (GPL-2+) and the build123d
sdist (Apache-2.0); none of them is in the repository. A test that needs one which can't be had is skipped.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest
from numba import njit
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from sample_meshes.design import Design, frame_along
from sample_meshes.make_scan import Noise, Scan, make_scan, noise_along_normal
from sample_meshes.meshing import BLOCK, SIDE, active_blocks, grid_round, mesh_of_values

T = TypeVar("T")
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "datumlift-tests"
HERE = Path(__file__).resolve()
SOURCES = (*sorted((HERE.parent.parent / "sample_meshes").glob("*.py")), HERE)

# Where each open part is to be found: package, and path in it.
OPEN_PARTS = {
    "TR12J_OCC.stl": ("occt-misc", "stl"),
    "TR12J_OCC64K.stl": ("occt-misc", "stl"),
    "sh1.stl": ("occt-misc", "stl"),
    "linkrods.step": ("occt-misc", "step"),
    "CrankArm.brep": ("occt-misc", "occ"),
    "t13_data.stl": ("gmsh", "share/doc/gmsh/tutorials"),
    "nema-17-bracket.step": ("build123d", "docs/topology_selection/examples"),
}


def cached(key: str, make: Callable[[], T]) -> T:
    """The result of `make`, kept under `key` as long as the generator's source stays the same."""
    digest = hashlib.sha256(key.encode())
    for source in SOURCES:
        digest.update(source.read_bytes())
    path = CACHE / f"{digest.hexdigest()[:24]}.pickle"
    try:
        return pickle.loads(path.read_bytes())
    except (OSError, EOFError, pickle.UnpicklingError, AttributeError, ImportError):
        pass
    result = make()
    CACHE.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}")
    part.write_bytes(pickle.dumps(result, protocol=5))
    os.replace(part, path)
    return result


def demo_scan(facets: float = 200_000, seed: int = 1, design: int | None = None, **options: object) -> Scan:
    """A scan of the demo part, or of `Design.varied(design)`; options are those of `make_scan`."""
    key = f"demo {float(facets)} {seed} {design} {sorted(options.items())}"
    part = Design.sample() if design is None else Design.varied(design)
    return cached(key, lambda: make_scan(facets, seed, part, **options))


# ---------------------------------------------------------------------------------------------------------
# Open CAD parts


@dataclass(frozen=True)
class ExactCylinder:
    """A cylinder of an open part: `low` to `high` along `direction` from `point`, mm; `arc` in degrees."""

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    radius: float
    side: str
    low: float
    high: float
    arc: float

    @property
    def length(self) -> float:
        return self.high - self.low


@dataclass(frozen=True)
class OpenPart:
    """An open part as it is drawn: a tessellation, and which of its facets lie on which exact cylinder."""

    name: str
    path: Path
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    cylinders: tuple[ExactCylinder, ...]
    cylinder_of: NDArray[np.int64] = field(repr=False)


@dataclass(frozen=True)
class OpenScan:
    """A scan made of an open part; `to_scan` (4, 4) moves part to scan coordinates."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    part: OpenPart
    to_scan: NDArray[np.float64]

    @property
    def cylinders(self) -> tuple[ExactCylinder, ...]:
        """The part's cylinders in scan coordinates."""
        turn, shift = self.to_scan[:3, :3], self.to_scan[:3, 3]
        return tuple(
            replace(c, point=turn @ c.point + shift, direction=turn @ c.direction) for c in self.part.cylinders
        )


def open_part_path(name: str) -> Path:
    """The file of an open part; skips the test where it can't be had."""
    package, inside = OPEN_PARTS[name]
    folders = [Path(os.environ["DATUMLIFT_OPEN_PARTS"])] if "DATUMLIFT_OPEN_PARTS" in os.environ else []
    if package == "occt-misc":
        folders.append(Path("/usr/share/opencascade/data"))
    folders.append(CACHE / package)
    for _ in range(2):
        for folder in folders:
            for path in (folder / inside / name, folder / name):
                if path.is_file():
                    return path
        _fetch(package, name)
    pytest.skip(f"{name} of {package} can't be had here; set DATUMLIFT_OPEN_PARTS to a folder that has it.")


def _fetch(package: str, name: str) -> None:
    """Try to put a package's open parts under CACHE / package; leaves nothing half done."""
    goal = CACHE / package
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        if package == "occt-misc":
            if not shutil.which("apt-get") or not shutil.which("dpkg"):
                return
            steps = [["apt-get", "download", "-q", "occt-misc"]]
        else:
            source = ["--no-binary", package] if package == "build123d" else []
            steps = [[sys.executable, "-m", "pip", "download", "-q", "--no-deps", *source, package]]
        try:
            for step in steps:
                subprocess.run(step, cwd=folder, check=True, capture_output=True, timeout=120)
            if package == "occt-misc":
                deb = next(folder.glob("occt-misc*.deb"))
                subprocess.run(["dpkg", "-x", deb.name, "x"], cwd=folder, check=True, timeout=60)
                goal.parent.mkdir(parents=True, exist_ok=True)
                if not goal.exists():
                    shutil.move(folder / "x/usr/share/opencascade/data", goal)
            else:
                data = _from_archive(next(folder.glob(f"{package}-*")), name)
                goal.mkdir(parents=True, exist_ok=True)
                (goal / f"{name}.part").write_bytes(data)
                os.replace(goal / f"{name}.part", goal / name)
        except (OSError, subprocess.SubprocessError, StopIteration, KeyError):
            return


def _from_archive(archive: Path, name: str) -> bytes:
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as z:
            return z.read(next(n for n in z.namelist() if n.endswith("/" + name)))
    with tarfile.open(archive) as t:
        return t.extractfile(next(m for m in t if m.name.endswith("/" + name))).read()


def open_part(name: str, scale: float = 1.0) -> OpenPart:
    """An open part of OPEN_PARTS with its exact cylinders, made `scale` times as large.

    Skips the test where the part can't be had. linkrods.step is 5 units long and drawn in fractions: scale
    25.4 gives it a sensible size.
    """
    path = open_part_path(name)
    part = cached(f"closed part {name} {path} {path.stat().st_mtime}", lambda: _load(name, path))
    if scale == 1.0:
        return part
    cylinders = tuple(
        replace(c, point=c.point * scale, radius=c.radius * scale, low=c.low * scale, high=c.high * scale)
        for c in part.cylinders
    )
    return replace(part, vertices=part.vertices * scale, cylinders=cylinders)


def _load(name: str, path: Path) -> OpenPart:
    if path.suffix == ".stl":
        import trimesh

        drawn = trimesh.load(path)
        # Which side of a facet is metal is told by counting along rays, which a hole of three edges leads astray.
        drawn.fill_holes()
        vertices, faces = np.array(drawn.vertices, float), np.array(drawn.faces, np.int64)
        # Written with three decimals.
        rounding = 1e-3 if name == "t13_data.stl" else 0.0
        cylinders, cylinder_of = cylinders_of(vertices, faces, rounding)
    else:
        vertices, faces, cylinders, cylinder_of = from_brep(path)
    return OpenPart(name, path, vertices, faces, cylinders, cylinder_of)


def from_brep(path: Path, deflection: float = 0.01, turn: float = 2.0):
    """Tessellate an exact boundary representation; its cylinders are read from its own surfaces."""
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools
    from OCP.GeomAbs import GeomAbs_Cylinder
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS, TopoDS_Shape

    if path.suffix == ".step":
        reader = STEPControl_Reader()
        reader.ReadFile(str(path))
        reader.TransferRoots()
        shape = reader.OneShape()
    else:
        shape = TopoDS_Shape()
        BRepTools.Read_s(shape, str(path), BRep_Builder())
    BRepMesh_IncrementalMesh(shape, deflection, False, np.radians(turn), False)
    points, corners, owner, pieces = [], [], [], []
    start = 0
    walk = TopExp_Explorer(shape, TopAbs_FACE)
    while walk.More():
        face = TopoDS.Face(walk.Current())
        walk.Next()
        place = TopLoc_Location()
        drawn = BRep_Tool.Triangulation_s(face, place)
        if drawn is None:
            continue
        move = place.Transformation()
        nodes = [drawn.Node(i + 1).Transformed(move) for i in range(drawn.NbNodes())]
        triangles = np.array([drawn.Triangle(i + 1).Get() for i in range(drawn.NbTriangles())]) - 1
        if face.Orientation() == TopAbs_REVERSED:
            triangles = triangles[:, ::-1]
        surface = BRepAdaptor_Surface(face)
        index = -1
        if surface.GetType() == GeomAbs_Cylinder:
            c = surface.Cylinder()
            at, along = c.Axis().Location(), c.Axis().Direction()
            index = len(pieces)
            pieces.append(([at.X(), at.Y(), at.Z()], [along.X(), along.Y(), along.Z()], c.Radius()))
        points.append(np.array([[p.X(), p.Y(), p.Z()] for p in nodes]))
        corners.append(triangles + start)
        owner.append(np.full(len(triangles), index))
        start += len(nodes)
    vertices, faces = np.vstack(points), np.vstack(corners)
    _, first, index = np.unique(np.round(vertices, 6), axis=0, return_index=True, return_inverse=True)
    vertices, faces, owner = vertices[first], index.ravel()[faces], np.concatenate(owner)
    kept = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces, owner = faces[kept], owner[kept]
    exact = [(np.array(p), np.array(a), r) for p, a, r in pieces]
    return vertices, faces, *_described(vertices, faces, exact, owner)


def _facet_normals(vertices: NDArray, faces: NDArray) -> NDArray[np.float64]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    out = np.cross(b - a, c - a)
    return out / np.maximum(np.linalg.norm(out, axis=1), 1e-30)[:, None]


def _facet_neighbours(faces: NDArray) -> NDArray[np.int64]:
    """(m, 3) facet across each edge (k, k + 1), -1 where there is none or more than one."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, index, counts = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(index.ravel(), kind="stable")
    first = np.cumsum(np.append(0, counts[:-1]))[counts == 2]
    out = np.full(3 * len(faces), -1, np.int64)
    out[order[first]], out[order[first + 1]] = order[first + 1] // 3, order[first] // 3
    return out.reshape(-1, 3)


@njit(cache=True)
def _grow(seed, faces, vertices, normals, neighbours, point, axis, radius, tolerance, taken):
    """Facets joined to the seed all of whose corners lie on a cylinder."""
    stack, seen = [seed], {seed}
    out = [seed]
    while stack:
        f = stack.pop()
        for k in range(3):
            g = neighbours[f, k]
            if g < 0 or taken[g] or g in seen:
                continue
            seen.add(g)
            if abs(np.dot(normals[g], axis)) > 0.5:
                continue
            on = True
            for m in range(3):
                w = vertices[faces[g, m]] - point
                w = w - np.dot(w, axis) * axis
                on = on and abs(np.sqrt(np.dot(w, w)) - radius) < tolerance
            if on:
                stack.append(g)
                out.append(g)
    return np.array(out)


def cylinders_of(
    vertices: NDArray, faces: NDArray, rounding: float = 0.0
) -> tuple[tuple[ExactCylinder, ...], NDArray[np.int64]]:
    """Exact cylinders of a CAD tessellation, whose vertices lie on the surfaces they were drawn from.

    Two facets that share an edge along the axis give a first cylinder; it grows over all facets with corners
    on it and is fitted to those corners. Only what fits to a rounding error, has five rulings or more (any
    three lie on some cylinder) and spans 20 deg is kept. `rounding` is that of the coordinates, mm; never
    taken as less than float32's.
    Returns the cylinders, and which of them each facet lies on (-1 none).
    """
    normals, neighbours = _facet_normals(vertices, faces), _facet_neighbours(faces)
    taken = np.zeros(len(faces), bool)
    tries = np.zeros(len(faces), np.int64)
    owner = np.full(len(faces), -1)
    exact: list[tuple[NDArray, NDArray, float]] = []
    rounding = max(rounding, 4.0 * float(np.spacing(np.float32(np.abs(vertices).max()))))
    f, k = np.nonzero(neighbours >= 0)
    g = neighbours[f, k]
    cosine = np.einsum("ij,ij->i", normals[f], normals[g])
    axis = np.cross(normals[f], normals[g])
    axis /= np.maximum(np.linalg.norm(axis, axis=1), 1e-30)[:, None]
    shared = vertices[faces[f, (k + 1) % 3]] - vertices[faces[f, k]]
    shared /= np.linalg.norm(shared, axis=1)[:, None]
    along = np.abs(np.einsum("ij,ij->i", axis, shared))
    likely = (f < g) & (cosine < np.cos(np.radians(0.5))) & (cosine > np.cos(np.radians(50.0))) & (along > 0.999)
    f, g, k, axis = f[likely], g[likely], k[likely], shared[likely]
    # The circle through the shared edge and the two far corners, seen along the edge.
    middle = vertices[faces[f, k]]
    far_f = vertices[faces[f, (k + 2) % 3]] - middle
    inner = (faces[g] != faces[f, k][:, None]) & (faces[g] != faces[f, (k + 1) % 3][:, None])
    far_g = vertices[faces[g][inner]] - middle
    for far in (far_f, far_g):
        far -= np.einsum("ij,ij->i", far, axis)[:, None] * axis
    normal = np.cross(far_f, far_g)
    flat = np.einsum("ij,ij->i", normal, normal)
    square_f, square_g = (np.einsum("ij,ij->i", far, far)[:, None] for far in (far_f, far_g))
    centre = np.cross(square_f * far_g - square_g * far_f, normal) / np.maximum(2.0 * flat, 1e-30)[:, None]
    radius = np.linalg.norm(centre, axis=1)
    for i in np.flatnonzero(flat > 1e-9):
        if taken[f[i]] or taken[g[i]] or min(tries[f[i]], tries[g[i]]) >= 2:
            continue
        cylinder = (middle[i] + centre[i], axis[i], float(radius[i]))
        tolerance = 2e-3 * min(cylinder[2], 50.0) + rounding
        for _ in range(3):
            region = _grow(f[i], faces, vertices, normals, neighbours, *cylinder, tolerance, taken)
            if len(region) < 6:
                break
            points = vertices[np.unique(faces[region])]
            if _rulings(points, *cylinder) < 5:
                tries[region] += 1
                break
            cylinder, worst = _fitted(points, *cylinder)
            tolerance = 3.0 * rounding
        else:
            tries[region] += 1
            if worst < 2.0 * rounding and _angles(points, *cylinder)[1] >= 20.0:
                taken[region] = True
                owner[region] = len(exact)
                exact.append(cylinder)
    return _described(vertices, faces, exact, owner)


def _fitted(points: NDArray, point: NDArray, axis: NDArray, radius: float):
    """Orthogonal least-squares cylinder of points by Gauss-Newton steps, and its largest residual."""
    for _ in range(6):
        frame = frame_along(axis)
        point = point + frame[2] * (frame[2] @ (points.mean(axis=0) - point))
        x, y, z = ((points - point) @ frame.T).T
        rho = np.maximum(np.sqrt(x * x + y * y), 1e-12)
        off = rho - radius
        slopes = np.column_stack([x / rho, y / rho, x * z / rho, y * z / rho, np.ones_like(rho)])
        step = np.linalg.lstsq(slopes, off, rcond=None)[0]
        point = point + step[:2] @ frame[:2]
        axis = frame[2] + step[2:4] @ frame[:2]
        axis, radius = axis / np.linalg.norm(axis), radius + step[4]
        if not 0.0 < radius < 1e5:
            return (point, axis, 1.0), np.inf
        if np.abs(step).max() < 1e-12:
            break
    w = points - point
    s = w @ axis
    off = np.sqrt(np.maximum((w * w).sum(axis=1) - s * s, 0.0)) - radius
    return (point, axis, float(radius)), float(np.abs(off).max())


def _rulings(points: NDArray, point: NDArray, axis: NDArray, radius: float) -> int:
    """How many different lines along the axis the points lie on."""
    u, v, _ = frame_along(axis)
    angle = np.sort(np.arctan2((points - point) @ v, (points - point) @ u))
    return 1 + int((np.diff(angle) > np.radians(0.2)).sum())


def _angles(points: NDArray, point: NDArray, axis: NDArray, radius: float) -> tuple[float, float]:
    """Largest step between neighbouring rulings and the arc covered, degrees."""
    u, v, _ = frame_along(axis)
    angle = np.sort(np.degrees(np.arctan2((points - point) @ v, (points - point) @ u)))
    steps = np.diff(np.append(angle, angle[0] + 360.0))
    widest = steps.max()
    rest = np.sort(steps)[:-1].max() if len(steps) > 1 else widest
    if widest > max(3.0 * rest, 45.0):
        return float(rest), float(360.0 - widest)
    return float(widest), 360.0


def _described(vertices, faces, exact, owner):
    """Pieces of one cylinder joined, each with side, extent and arc."""
    goal = np.arange(len(exact))
    spans = []
    for i, (point, axis, _) in enumerate(exact):
        s = (vertices[np.unique(faces[owner == i])] - point) @ axis
        spans.append((s.min(), s.max()) if len(s) else (0.0, 0.0))
    for i, (p, a, r) in enumerate(exact):
        for j in range(i):
            q, b, other = exact[j]
            apart = np.linalg.norm(np.cross(q - p, a))
            if abs(r - other) > 1e-3 or np.linalg.norm(np.cross(a, b)) > 1e-3 or apart > 2e-3:
                continue
            ends = sorted((q + s * b - p) @ a for s in spans[j])
            if ends[0] < spans[i][1] + 0.01 and ends[1] > spans[i][0] - 0.01:
                goal[i] = goal[j]
                break
    numbers = {old: new for new, old in enumerate(np.unique(goal))}
    renumber = np.array([numbers[k] for k in goal] + [-1])
    owner = renumber[owner]
    normals = _facet_normals(vertices, faces)
    out = []
    for i in np.unique(goal):
        point, axis, radius = exact[i]
        mine = owner == numbers[i]
        points = vertices[np.unique(faces[mine])]
        s = (points - point) @ axis
        radial = vertices[faces[mine]].mean(axis=1) - point
        outward = (radial * normals[mine]).sum() - ((radial @ axis) * (normals[mine] @ axis)).sum() > 0
        arc = _angles(points, point, axis, radius)[1]
        side = "boss" if outward else "bore"
        out.append(ExactCylinder(point, axis, float(radius), side, float(s.min()), float(s.max()), arc))
    return tuple(out), owner


# ---------------------------------------------------------------------------------------------------------
# From a tessellation to a scan


def densify(
    vertices: NDArray,
    faces: NDArray,
    edge: float,
    seed: int = 0,
    cylinders: tuple[ExactCylinder, ...] = (),
    cylinder_of: NDArray | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """A closed tessellation meshed anew with near isotropic facets of mean edge `edge` mm, as a scan is.

    The grid lies obliquely (`seed`), facets bridge sharp edges, and vertices are put back on the facets they
    are nearest to; on the exact cylinders instead where `cylinders` and `cylinder_of` (m,) say so. Other
    curved faces keep the chords of the tessellation.
    """
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(np.asarray(vertices, np.float32), np.asarray(faces, np.uint32))
    turn = Rotation.random(random_state=np.random.default_rng([seed, 5])).as_matrix()
    h = edge / 0.93
    grid, spans = grid_round(vertices.min(axis=0), vertices.max(axis=0), h, turn)

    def near(blocks: NDArray, size: float) -> NDArray:
        centres = (grid + (blocks + size * 0.5) * h) @ turn.T
        return scene.compute_distance(centres.astype(np.float32)).numpy() < size * h * 0.87 + 1e-3

    blocks, lookup = active_blocks(spans, near)
    values = _sampled(scene, blocks, grid, turn, h)
    put_back = _PutBack(scene, vertices, faces, cylinders, cylinder_of)
    return mesh_of_values(values, blocks, lookup, grid, h, turn, put_back)


def _sampled(scene, blocks: NDArray, grid: NDArray, turn: NDArray, h: float) -> NDArray[np.float32]:
    """Signed distance at the corners of each block; octants far from the surface get their sign only."""
    values = np.empty((len(blocks), SIDE, SIDE, SIDE), np.float32)
    done = np.zeros(values.shape, bool)
    half = BLOCK // 2
    steps = np.array(list(np.ndindex(2, 2, 2))) * half
    centres = (grid + ((blocks[:, None] + steps + half * 0.5) * h).reshape(-1, 3)) @ turn.T
    signed = scene.compute_signed_distance(centres.astype(np.float32), nsamples=3).numpy().reshape(-1, 8)
    for octant, step in enumerate(steps):
        i, j, k = (slice(s, s + half + 1) for s in step)
        far = np.abs(signed[:, octant]) >= half * h * 0.87 + 1e-3
        values[far, i, j, k] = signed[far, octant][:, None, None, None]
        done[~far, i, j, k] = True
    n, i, j, k = np.nonzero(done)
    for at in range(0, len(n), 1_000_000):
        cut = slice(at, at + 1_000_000)
        corners = (grid + (blocks[n[cut]] + np.column_stack([i[cut], j[cut], k[cut]])) * h) @ turn.T
        found = scene.compute_signed_distance(corners.astype(np.float32), nsamples=3).numpy()
        values[n[cut], i[cut], j[cut], k[cut]] = found
    return values


class _PutBack:
    """Moves points onto a tessellation, and onto the exact cylinders it was drawn from."""

    def __init__(self, scene, vertices, faces, cylinders, cylinder_of):
        self.scene, self.vertices, self.faces = scene, vertices, faces
        self.normals = _facet_normals(vertices, faces)
        self.rules = []
        for i, c in enumerate(cylinders):
            mine = cylinder_of == i
            corners = np.unique(faces[mine])
            touching = np.isin(faces, corners).any(axis=1) & ~mine
            step, _ = _angles(vertices[corners], c.point, c.direction, c.radius)
            sag = c.radius * (1.0 - np.cos(np.radians(step) / 2))
            self.rules.append((c, mine, touching, 1.05 * sag + 1e-4))

    def __call__(self, points: NDArray) -> NDArray[np.float64]:
        found = self.scene.compute_closest_points(points.astype(np.float32))
        facet = found["primitive_ids"].numpy().astype(np.int64)
        out = found["points"].numpy().astype(float)
        normal = self.normals[facet]
        off = np.einsum("ij,ij->i", out - self.vertices[self.faces[facet, 0]], normal)
        out -= off[:, None] * normal
        # Faces that end at a cylinder are drawn to its chords and reach into it by the chords' sag.
        for cylinder, mine, touching, sag in self.rules:
            for facets, reach in ((mine, np.inf), (touching, sag)):
                pick = np.flatnonzero(facets[facet])
                w = out[pick] - cylinder.point
                s = w @ cylinder.direction
                w -= s[:, None] * cylinder.direction
                rho = np.linalg.norm(w, axis=1)
                low = (rho < cylinder.radius) & (rho > cylinder.radius - reach)
                low &= (s > cylinder.low - 1e-3) & (s < cylinder.high + 1e-3) | (reach == np.inf)
                w *= (cylinder.radius / np.maximum(rho, 1e-9) - 1.0)[:, None]
                out[pick[low]] += w[low]
        return out


def scan_like(
    part: OpenPart,
    edge: float,
    sigma: float = 0.012,
    seed: int = 1,
    pose: bool = True,
    waves: tuple[tuple[float, float], ...] = (),
) -> OpenScan:
    """A scan of an open part: dense, noisy along the normal (`sigma` white, `waves` as in Noise), posed."""
    key = f"dense {part.name} {part.path} {np.ptp(part.vertices, axis=0)} {len(part.faces)} {edge} {seed}"
    vertices, faces = cached(
        key, lambda: densify(part.vertices, part.faces, edge, seed, part.cylinders, part.cylinder_of)
    )
    rng = np.random.default_rng([seed, 6])
    normals = np.zeros_like(vertices)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    for k in range(3):
        for axis in range(3):
            normals[:, axis] += np.bincount(faces[:, k], cross[:, axis], len(vertices))
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-30)[:, None]
    vertices = vertices + normals * noise_along_normal(vertices, Noise(sigma, waves), rng)[:, None]
    to_scan = np.eye(4)
    if pose:
        to_scan[:3, :3] = Rotation.random(random_state=rng).as_matrix()
        to_scan[:3, 3] = rng.uniform(-150.0, 150.0, 3)
    return OpenScan(vertices @ to_scan[:3, :3].T + to_scan[:3, 3], faces, part, to_scan)
