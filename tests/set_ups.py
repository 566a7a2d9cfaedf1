"""Scans of one part in several set-ups: what views round a direction see, each with its own mesh, noise, gaps and pose.

Of a part that is drawn exactly a facet is seen in a set-up when some view of it sees it: directions on cones about the
set-up's own one, from which the facet is turned away by less than 75 degrees (ragged by 5) and in front of which
nothing stands. The exact part, its normals and the poses are the maker's, so that all errors are known.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.TopoDS import TopoDS_Shape
from scipy.spatial.transform import Rotation

import pipeline
from pipeline import artefacts
from pipeline.formats.meshes_out import write_stl
from pipeline.job import SetUp as Wish
from pipeline.mesh.topology import vertex_normals
from pipeline.runner import Result
from pipeline.stages.join import Scanned
from sample_meshes.design import Design, frame_along
from sample_meshes.make_scan import Noise, make_scan, noise_along_normal
from tests.rescanned import block
from tests.scans import OpenPart, cached, from_brep, scan_like

GRAZING, RAGGED = 75.0, 5.0


@dataclass(frozen=True)
class SetUp:
    """What one set-up saw; mm, its own coordinates.

    vertices  (n, 3) with noise, true_vertices the same without it; faces (m, 3)
    to_scan   (4, 4) from the part's coordinates to the set-up's
    """

    vertices: NDArray[np.float64]
    true_vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    to_scan: NDArray[np.float64]


def seen(
    vertices: NDArray, faces: NDArray, axis: NDArray, tilts: tuple[float, ...], rng: np.random.Generator
) -> NDArray:
    """(m,) which facets some view sees: along `axis`, and eight round it at each of the tilts, degrees."""
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(np.asarray(vertices, np.float32), np.asarray(faces, np.uint32))
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-30)[:, None]
    centres = (a + b + c) / 3.0
    frame = frame_along(axis)
    views = [frame[2]]
    for tilt in np.radians(tilts):
        for turn in np.arange(8) * np.pi / 4.0:
            across = np.cos(turn) * frame[0] + np.sin(turn) * frame[1]
            views.append(np.cos(tilt) * frame[2] + np.sin(tilt) * across)
    # Ragged in patches, not facet by facet.
    waves, phases = rng.standard_normal((24, 3)) / 4.0, rng.uniform(0.0, 2.0 * np.pi, 24)
    limit = GRAZING + RAGGED * np.cos(centres @ waves.T + phases).sum(axis=1) / np.sqrt(12.0)
    out = np.zeros(len(faces), bool)
    for view in views:
        pick = np.flatnonzero(~out & (normals @ view > np.cos(np.radians(limit))))
        rays = np.concatenate([centres[pick] + 0.05 * normals[pick], np.tile(view, (len(pick), 1))], axis=1)
        free = ~np.isfinite(scene.cast_rays(rays.astype(np.float32))["t_hit"].numpy())
        out[pick[free]] = True
    return out


def set_up(
    axis: NDArray,
    *,
    design: int | None = None,
    facets: float = 150_000,
    tilts: tuple[float, ...] = (40.0,),
    noise: Noise | None = None,
    seed: int = 1,
    gaps: int = 3,
    also: tuple[NDArray, ...] = (),
) -> SetUp:
    """One set-up of the demo part, or of `Design.varied(design)`, that looks against `axis`, part coordinates.

    facets  that a scan of the whole part would have
    also    further directions that the same scan looks against
    """
    part = Design.sample() if design is None else Design.varied(design)
    key = f"set-up whole {float(facets)} {seed} {design} {gaps}"
    whole = cached(
        key,
        lambda: make_scan(
            facets, seed, part, noise=Noise(0.0, ()), plug=False, debris=0, gaps=gaps, unseen_depths=False
        ),
    )
    points = whole.to_part(whole.true_vertices)
    normals = whole.part.solid.normals(points, rounded=True)
    return seen_of(points, whole.faces, normals, axis, tilts, noise or Noise(), seed, also)


def brep_set_up(
    shape: TopoDS_Shape,
    name: str,
    axis: NDArray,
    folder: Path,
    *,
    edge: float = 1.3,
    tilts: tuple[float, ...] = (40.0,),
    noise: Noise | None = None,
    seed: int = 1,
) -> SetUp:
    """One set-up of an exact solid, with its own mesh by `densify`."""
    brep = folder / f"{name}.brep"
    BRepTools.Write_s(shape, str(brep))
    part = OpenPart(name, Path(name), *from_brep(brep))
    dense = scan_like(part, edge, 0.0, seed, pose=False)
    normals = vertex_normals(dense.vertices, dense.faces)
    return seen_of(dense.vertices, dense.faces, normals, axis, tilts, noise or Noise(), seed)


def seen_of(
    points: NDArray,
    faces: NDArray,
    normals: NDArray,
    axis: NDArray,
    tilts: tuple[float, ...],
    noise: Noise,
    seed: int,
    also: tuple[NDArray, ...] = (),
) -> SetUp:
    """What of an exact mesh (n, 3), with its normals (n, 3), a set-up sees, as a scan of its own."""
    rng = np.random.default_rng([seed, 71])
    keep = seen(points, faces, np.asarray(axis, float), tilts, rng)
    for other in also:
        keep |= seen(points, faces, np.asarray(other, float), tilts, rng)
    used = np.unique(faces[keep])
    number = np.full(len(points), -1)
    number[used] = np.arange(len(used))
    points, normals, left = points[used], normals[used], number[faces[keep]].astype(np.int32)
    noisy = points + normals * noise_along_normal(points, noise, rng)[:, None]
    to_scan = np.eye(4)
    to_scan[:3, :3] = Rotation.random(random_state=rng).as_matrix()
    to_scan[:3, 3] = rng.uniform(-150.0, 150.0, 3)
    return SetUp(_moved(noisy, to_scan), _moved(points, to_scan), left, to_scan)


def _moved(points: NDArray, motion: NDArray) -> NDArray:
    return points @ motion[:3, :3].T + motion[:3, 3]


@dataclass(frozen=True)
class Joined:
    """A job of two set-ups, run until `join`, and what made it.

    made   its two scans; folder holds them as side-0.stl (mm) and side-1.stl (inches)
    alone  each as read, cleaned and recovered by that run
    """

    folder: Path
    made: tuple[SetUp, SetUp]
    result: Result
    alone: tuple[Scanned, Scanned]


@cache
def joined_block() -> Joined:
    """A block with a hole of 14 mm across it, which leaves it no symmetry, from above and from below; both see its
    sides and the ends of its bores."""
    folder = Path(tempfile.mkdtemp(prefix="set-ups-"))
    hole = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(25, -40, 5), gp_Dir(0, 1, 0)), 7.0, 80.0).Shape()
    shape = BRepAlgoAPI_Cut(block(), hole).Shape()
    sides = ((0, 1.0, 1.0), (1, -1.0, 25.4))
    made = []
    for number, way, unit in sides:
        axis = np.array([0.0, 0.0, way])
        seen = brep_set_up(shape, "drilled", axis, folder, edge=1.6, tilts=(40.0, 65.0), seed=21 + number)
        write_stl(folder / f"side-{number}.stl", seen.vertices / unit, seen.faces, "mm")
        made.append(seen)
    job = folder / "both.toml"
    job.write_text('scan = "side-0.stl"\nout = "both"\n[[set_up]]\nscan = "side-1.stl"\nunits = "in"\n')
    result = pipeline.run(job, until="join")
    wish = Wish(scan=folder / "side-1.stl")
    alone = []
    for work in (folder / "both" / "work", folder / "both" / "work" / "set-up-2" / "work"):
        read, cleaned, found = (artefacts.fetch(work / f"{name}.npz", None) for name in ("read", "clean", "recover"))
        alone.append(Scanned(read.source, cleaned, found, wish))
    return Joined(folder, tuple(made), result, tuple(alone))


def corner_error(found: NDArray, stays: SetUp, laid: SetUp) -> float:
    """mm, at the farthest corner of the box round both: of a motion (4, 4) from the laid scan to the one that stays."""
    true = stays.to_scan @ np.linalg.inv(laid.to_scan)
    points = np.vstack([stays.vertices, _moved(laid.vertices, true)])
    low, high = points.min(axis=0), points.max(axis=0)
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T
    return float(np.linalg.norm(_moved(corners, found @ np.linalg.inv(true)) - corners, axis=1).max())
