"""Solids made of scans of the demo's designs, and the exact part beside each.

The exact part is the design's signed distance with sharp edges (`sample_meshes/`), which knows nothing of the package.
Its volume, and that of any cut of it, is an integral of that distance over cells: a cell that the surface passes
through counts by how far its middle is from it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.datum_file import DatumFile
from pipeline.values import Surface
from sample_meshes.make_scan import Scan, write_stl

Distance = Callable[[NDArray[np.float64]], NDArray[np.float64]]
# A scan without gaps, unseen depths, plug and crumbs.
WHOLE = {"gaps": 0, "unseen_depths": False, "plug": False, "debris": 0}
PITCH = 0.4  # mm: of the cells at the surface
_STEPS = (16, 4, 1)  # the cells' sizes in pitches, coarse ones first


@dataclass(frozen=True)
class Held:
    """The solid that was made of a scan, and the scan with its truth."""

    name: str
    folder: Path
    scan: Scan
    data: DatumFile
    seconds: float

    @cached_property
    def body(self) -> Any:
        from pipeline.formats.solid import read_body

        return read_body(self.folder / "part.step")

    def exact(self, points: NDArray[np.float64], rounded: bool = False) -> NDArray[np.float64]:
        """Signed distance of points (n, 3) in part coordinates from the exact part, its edges sharp or as scanned."""
        back = np.linalg.inv(np.array(self.data.frame.matrix))
        return self.scan.distance(points @ back[:3, :3].T + back[:3, 3], rounded)

    def off(self, points: NDArray[np.float64], rounded: bool = False) -> NDArray[np.float64]:
        """(n,) mm that points (n, 3) are off the exact part: their distance, or that to a point of its surface found
        along the gradient where this is less, since the waves of cast skin stretch distances."""
        back = np.linalg.inv(np.array(self.data.frame.matrix))
        mine = self.scan.to_part(points @ back[:3, :3].T + back[:3, 3])
        solid = self.scan.part.solid
        out = np.abs(solid.distance(mine, rounded))
        far = np.flatnonzero(out > 0.2)
        found = solid.project(mine[far], 5.0, rounded)
        there = np.abs(solid.distance(found, rounded)) < 1e-6
        way = np.where(there, np.linalg.norm(found - mine[far], axis=1), np.inf)
        out[far] = np.minimum(out[far], way)
        return np.asarray(out)

    @cached_property
    def true_scan(self) -> Surface:
        """The scan without its noise, in part coordinates."""
        matrix = np.array(self.data.frame.matrix)
        return Surface.measured(self.scan.true_vertices @ matrix[:3, :3].T + matrix[:3, 3], self.scan.faces)

    @cached_property
    def bounds(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Of the scan in part coordinates, with a margin."""
        matrix = np.array(self.data.frame.matrix)
        points = self.scan.true_vertices[np.unique(self.scan.faces[self.scan.label >= 0])]
        points = points @ matrix[:3, :3].T + matrix[:3, 3]
        return points.min(axis=0) - 2.0, points.max(axis=0) + 2.0

    @cached_property
    def exact_volume(self) -> float:
        return integral(self.exact, *self.bounds)


def made(name: str, scan: Scan, folder: Path, **settings: object) -> Held:
    """The solid of a scan by the run and `datumlift solid`, its processor time that of the latter."""
    import time

    from pipeline.cli.workshop.solid import make
    from pipeline.runner import run

    path = folder / f"{name}.stl"
    write_stl(path, scan)
    result = run(path, out=folder / name, **settings)
    begin = time.process_time()
    data, _ = make(result.out, 0.5, "AP242", "faces", True)
    return Held(name, result.out, scan, data, time.process_time() - begin)


def integral(distance: Distance, low: NDArray[np.float64], high: NDArray[np.float64], pitch: float = PITCH) -> float:
    """mm3 inside a signed distance within a box; cells are divided where the surface may pass through them."""
    size = _STEPS[0] * pitch
    axes = [np.arange(a + 0.5 * size, b + 0.5 * size, size) for a, b in zip(low, high, strict=True)]
    middles = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    total = 0.0
    for step, finer in zip(_STEPS, (*_STEPS[1:], None), strict=True):
        size = step * pitch
        kept = []
        for some in np.array_split(middles, 1 + len(middles) // 2_000_000):
            off = distance(some)
            if finer is None:
                total += float(np.clip(0.5 - off / size, 0.0, 1.0).sum()) * size**3
                continue
            # A little more than the half diagonal: the waves of cast skin stretch distances.
            near = np.abs(off) < 1.1 * np.sqrt(3) / 2 * size
            total += float((off[~near] < 0).sum()) * size**3
            kept.append(some[near])
        if finer is not None:
            parts = step // finer
            steps = (np.arange(parts) + 0.5) / parts - 0.5
            inner = size * np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
            middles = (np.concatenate(kept)[:, None] + inner).reshape(-1, 3)
    return total


@dataclass(frozen=True)
class Drawn:
    """Triangles of one face, fine: points (n, 3) on its surface, faces (m, 3), the face's name, its number, and which
    points lie on its border."""

    name: str
    points: NDArray[np.float64]
    faces: NDArray[np.int64]
    rim: NDArray[np.bool_]


def drawn(body: Any, deflection: float, turn: float, names: dict[int, str] | None = None) -> Iterator[Drawn]:
    """Each face as triangles by the kernel's mesher, no farther than `deflection` mm from it."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    BRepMesh_IncrementalMesh(body, deflection, False, turn, False)
    for number, face in enumerate(faces_of(body)):
        place = TopLoc_Location()
        made = BRep_Tool.Triangulation_s(TopoDS.Face(face), place)
        if made is None:
            yield Drawn((names or {}).get(number, ""), np.empty((0, 3)), np.empty((0, 3), np.int64), np.empty(0, bool))
            continue
        nodes = (made.Node(i + 1) for i in range(made.NbNodes()))
        points = np.array([(p.X(), p.Y(), p.Z()) for p in nodes])
        faces = np.array([made.Triangle(i + 1).Get() for i in range(made.NbTriangles())], np.int64) - 1
        ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
        edges, count = np.unique(ends, axis=0, return_counts=True)
        rim = np.zeros(len(points), bool)
        rim[edges[count == 1]] = True
        yield Drawn((names or {}).get(number, ""), points, faces, rim)


def faces_of(body: Any) -> list[Any]:
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer

    found, walk = [], TopExp_Explorer(body, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        found.append(walk.Current())
        walk.Next()
    return found


# ---------------------------------------------------------------------------------------------------------
# A plain reader of STEP text (ISO 10303-21), which knows no CAD kernel


@dataclass(frozen=True)
class WrittenFace:
    """A face as its STEP text has it: name, entity of its surface, place, axis, and sizes in mm and rad."""

    name: str
    entity: str
    point: NDArray[np.float64]
    axis: NDArray[np.float64]
    sizes: tuple[float, ...]


_INSTANCE = re.compile(r"#(\d+)\s*=\s*([A-Z_0-9]+)\s*\((.*?)\)\s*;", re.DOTALL)
_NUMBER = re.compile(r"(?<![#\w'])[-+]?\d+\.\d*(?:E[-+]?\d+)?")


def written_faces(path: Path) -> list[WrittenFace]:
    """The ADVANCED_FACEs of a STEP file with their names and surfaces, from its text alone."""
    text = path.read_text("ascii")
    instances = {int(n): (entity, inside) for n, entity, inside in _INSTANCE.findall(text)}

    def numbers(inside: str) -> tuple[float, ...]:
        return tuple(float(x) for x in _NUMBER.findall(inside))

    def references(inside: str) -> list[int]:
        return [int(x) for x in re.findall(r"#(\d+)", inside)]

    out = []
    for entity, inside in instances.values():
        if entity != "ADVANCED_FACE":
            continue
        name = re.match(r"\s*'((?:[^']|'')*)'", inside)
        assert name is not None
        kind, sizes = instances[references(inside)[-1]]
        place = instances[references(sizes)[0]][1]
        point, axis, *_ = (numbers(instances[r][1]) for r in references(place))
        out.append(WrittenFace(name[1], kind, np.array(point), np.array(axis), numbers(sizes)))
    return out


# ---------------------------------------------------------------------------------------------------------
# What a solid is held to


@dataclass(frozen=True)
class Figures:
    """A solid against its datum file and against the exact part; lengths in mm.

    good, exact     features of good confidence; those of them with exact faces and no facets at all
    least_share     of a good feature's scanned area that its exact faces have, the least of all
    off_volume      of the exact part's volume
    off_parameters  of the surfaces as written against the datum file, at the far end of what was scanned of each
    held            what the product says that its skin held
    off_surface     of a tessellation within 1 um of the solid, off the datum file's surfaces, away from borders
    from_part       the farthest of that tessellation from the exact part with sharp edges
    to_part         the farthest of the exact part's points from it
    beyond          share of the solid's area that is farther from the exact part than `skin`
    from_seen       the farthest of that tessellation from what the scan shows without its noise, or from the exact
                    part, whichever is nearer: where a scanner's facets bridge an edge, no more can be known
    told            what the product says about it in words
    """

    name: str
    closed: bool
    valid: bool
    faces: int
    good: int
    exact: int
    least_share: tuple[float, str]
    off_volume: float
    tolerance: float
    off_parameters: float
    off_surface: float
    from_part: float
    to_part: float
    beyond: float
    from_seen: float
    held: float
    megabytes: float
    seconds: float
    told: tuple[str, ...]

    def __str__(self) -> str:
        """One row of a table; lengths in um."""
        state = f"{'closed' if self.closed else 'OPEN'} {'valid' if self.valid else 'INVALID'}"
        um = {
            "tolerance": self.tolerance, "parameters": self.off_parameters, "features": self.off_surface,
            "skin": self.held, "from part": self.from_part, "to part": self.to_part, "from seen": self.from_seen,
        }  # fmt: skip
        return (
            f"{self.name:<10} {state} {self.faces} faces, {self.exact}/{self.good} exact (least share "
            f"{self.least_share[0]:.2f} {self.least_share[1]}), volume {100 * self.off_volume:+.3f} %, "
            + ", ".join(f"{what} {1e3 * far:.3g}" for what, far in um.items())
            + f" um, {100 * self.beyond:.2f} % beyond, {self.megabytes:.1f} MB, {self.seconds:.1f} s"
        )


def figures(held: Held) -> Figures:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    from pipeline.formats.solid import read_solid, shape_in_part
    from pipeline.formats.step import label_of
    from pipeline.mesh.query import Scene, spread_points
    from pipeline.surfaces import signed_distance

    made = held.data.solid
    assert made is not None
    told = {label_of(f): f for f in held.data.features}
    read = read_solid(held.folder / made.file)
    names = {n: named.name for n, named in enumerate(read.faces)}
    area = dict.fromkeys(told, 0.0)
    for named in read.faces:
        if named.name in area:
            size = GProp_GProps()
            BRepGProp.SurfaceProperties_s(named.face, size)
            area[named.name] += size.Mass()
    good = [label for label, f in told.items() if f.confidence == "good" and f.machined]
    fallen = {f.feature for f in made.as_facets}
    share = min((area[label] / told[label].extent.area, label) for label in good)
    off_surface, parts, start = 0.0, [], 0
    for piece in drawn(read.shape, 1e-3, 0.2, names):
        if piece.name in told and len(piece.faces):
            shape = shape_in_part(told[piece.name])
            inner = piece.faces[~piece.rim[piece.faces].any(axis=1)]
            places = [piece.points[~piece.rim], piece.points[inner].mean(axis=1)]
            for points in places:
                if len(points):
                    off_surface = max(off_surface, float(np.abs(signed_distance(shape, points)).max()))
        parts.append((piece.points, piece.faces + start, piece.name))
        start += len(piece.points)
    points = np.concatenate([p for p, _, _ in parts])
    faces = np.concatenate([f for _, f, _ in parts]).astype(np.int32)
    known = np.concatenate([np.full(len(f), name not in ("filled", "never seen")) for _, f, name in parts])
    spread = spread_points(points, faces[known], 400_000)[0]
    away = held.off(spread)
    seen = np.minimum(away, held.off(spread, rounded=True))
    far = spread[seen > 0.5 * made.skin]
    seen = np.minimum(seen[seen > 0.5 * made.skin], Scene(held.true_scan).distance(far)) if len(far) else seen
    back = Scene(Surface.measured(points, faces)).distance(exact_points(held))
    return Figures(
        held.name, made.closed, made.valid, made.faces, len(good),
        sum(told[g].id in made.features and told[g].id not in fallen for g in good),
        share, (made.volume or 0.0) / held.exact_volume - 1.0, made.largest_tolerance,
        off_parameters(written_faces(held.folder / made.file), told), off_surface,
        float(away.max()), float(back.max()), float((away > made.skin).mean()), float(seen.max()), made.skin_held,
        made.bytes / 1e6, held.seconds, tuple(text for text in held.data.cautions if text.startswith(made.file)),
    )  # fmt: skip


def exact_points(held: Held) -> NDArray[np.float64]:
    """(n, 3) points of the exact part, in part coordinates: the scan's true vertices put onto its sharp surface."""
    matrix = np.array(held.data.frame.matrix)
    seen = held.scan.to_part(held.scan.true_vertices[np.unique(held.scan.faces[held.scan.label >= 0])])
    sharp = held.scan.part.solid.project(seen, 0.2, rounded=False)
    sharp = sharp @ held.scan.to_scan[:3, :3].T + held.scan.to_scan[:3, 3]
    return sharp @ matrix[:3, :3].T + matrix[:3, 3]


_ENTITIES = {
    "plane": "PLANE",
    "cylinder": "CYLINDRICAL_SURFACE",
    "cone": "CONICAL_SURFACE",
    "sphere": "SPHERICAL_SURFACE",
    "torus": "TOROIDAL_SURFACE",
}


def off_parameters(written: list[WrittenFace], told: dict[str, Any]) -> float:
    """mm: the most that a written surface is off the datum file's, its axis at half the feature's length or reach."""
    worst = 0.0
    for face in written:
        feature = told.get(face.name)
        if feature is None:
            continue
        assert face.entity == _ENTITIES[feature.kind], (face.name, face.entity)
        reach = max(feature.extent.length or 0.0, np.sqrt(feature.extent.area)) / 2
        point = np.array(feature.in_part_frame.point)
        if feature.kind == "sphere":
            worst = max(worst, float(np.linalg.norm(face.point - point)), abs(face.sizes[0] - feature.radius))
            continue
        direction = np.array(feature.in_part_frame.direction)
        axis = face.axis * np.sign(face.axis @ direction)
        worst = max(worst, reach * float(np.linalg.norm(np.cross(axis, direction))))
        away = face.point - point
        along = float(away @ direction)
        if feature.kind == "plane":
            worst = max(worst, abs(along))
            continue
        worst = max(worst, float(np.linalg.norm(away - along * direction)))
        if feature.kind == "cylinder":
            worst = max(worst, abs(face.sizes[0] - feature.radius))
        elif feature.kind == "torus":
            worst = max(worst, abs(along), abs(face.sizes[0] - feature.major_radius))
            worst = max(worst, abs(face.sizes[1] - feature.radius))
        else:
            slope = np.tan(np.radians(feature.half_angle))
            worst = max(worst, abs(face.sizes[0] - feature.radius - along * slope))
            worst = max(worst, reach * abs(face.sizes[1] - np.radians(feature.half_angle)))
            assert face.axis @ direction > 0, face.name
    return worst
