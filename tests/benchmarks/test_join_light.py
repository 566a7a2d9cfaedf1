"""The light mesh of joined set-ups beside that of one scan, against the exact part: deviation, soundness, seam steps.

A light mesh's 99th percentile is that of the part's edges, which facets of a scan cut off. So it hangs on where in its
net a scanner set its points (of one full scan with 400,000 facets 256 to 282 um, four nets of one part), and on how
much of the area lies at edges: a full scan has deep bores, smooth walls, that no set-up here looks into. Compared is
therefore what is alike: one scan with the net of each set-up that looks from all directions at once, both of them taken
together, and only places that all three have. A joined mesh is then off by no more than one scan.

Run with: pytest -m slow tests/benchmarks/test_join_light.py -s
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import pipeline
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import transformed
from pipeline.job import make_job
from pipeline.mesh.query import Scene, spread_points
from pipeline.mesh.topology import facet_normals, vertex_normals
from pipeline.runner import Result
from pipeline.values import FILLED, SEAM, Surface
from sample_meshes.design import Design
from sample_meshes.make_scan import Noise
from sample_meshes.solid import Solid
from tests.benchmarks.test_light_meshes import _figures
from tests.set_ups import set_up

pytestmark = pytest.mark.slow

FACETS, LIGHT = 4e5, 40_000
AXES = (np.array([0.0, 0.3, 1.0]), np.array([0.3, 0.0, -1.0]))
POINTS = 1_000_000  # of which a 99th percentile is known to 0.2 %
SAME = 0.75  # mm within which a place is in two scans
AN_EDGE = 0.3  # mm: what is farther off is cut off at an edge, and counts in the percentile only
SIGMA = float(np.sqrt(Noise().white ** 2 + sum(sigma**2 for sigma, _ in Noise().waves)))  # mm
CELL = 8.0  # mm, within which a step is the difference of two means


@dataclass(frozen=True)
class Mesh:
    """A surface in the part's coordinates, points spread over what was measured of it, and how far these are off."""

    surface: Surface
    points: NDArray[np.float64]
    off: NDArray[np.float64]


def _mesh(surface: Surface, to_scan: NDArray, solid: Solid) -> Mesh:
    here = Surface.measured(
        transformed(np.linalg.inv(to_scan), surface.vertices), surface.faces[surface.origin != FILLED]
    )
    points, _ = spread_points(here.vertices, here.faces, POINTS)
    return Mesh(here, points, solid.distance(points, True))


def _common(meshes: list[Mesh]) -> list[NDArray[np.float64]]:
    """How far points of each mesh are off, where all have surface."""
    scenes = [Scene(mesh.surface) for mesh in meshes]
    out = []
    for mesh in meshes:
        there = [scene.closest(mesh.points)[0] < SAME for scene in scenes]
        out.append(mesh.off[np.logical_and.reduce(there)])
    return out


def _told(off: NDArray) -> tuple[float, float]:
    """um: root mean square of what is no edge, and the 99th percentile."""
    size = np.abs(off)
    return 1e3 * float(np.sqrt(np.mean(off[size < AN_EDGE] ** 2))), 1e3 * float(np.quantile(size, 0.99))


def _steps(result: Result, to_scan: NDArray, solid: Solid) -> NDArray[np.float64]:
    """um, by which one scan stands over the other at the seam, of cells that hold eight vertices of each."""
    surface, scan = result.clean.surface, result.join.scan
    whose = np.full(len(surface.vertices), -1)
    for k in (0, 1):
        whose[surface.faces[scan == k].ravel()] = k
    points = transformed(np.linalg.inv(to_scan), surface.vertices)
    seam = points[surface.faces[scan == SEAM]].mean(axis=1)
    normals = vertex_normals(points, surface.faces)
    most = np.argmax(np.abs(normals), axis=1)
    cells = np.column_stack([np.floor(points / CELL), most, normals[np.arange(len(points)), most] > 0.0]).astype(int)
    at_seam = np.unique(np.floor(seam / CELL).astype(int), axis=0)
    near = {tuple(cell) for cell in at_seam.tolist()}
    here = np.flatnonzero((whose >= 0) & [tuple(cell) in near for cell in cells[:, :3].tolist()])
    off = solid.distance(points[here], True)
    here, off = here[np.abs(off) < AN_EDGE], off[np.abs(off) < AN_EDGE]
    _, which = np.unique(cells[here], axis=0, return_inverse=True)
    which = which.ravel()
    means, counts = [], []
    for k in (0, 1):
        mine = whose[here] == k
        counts.append(np.bincount(which[mine], minlength=which.max() + 1))
        means.append(np.bincount(which[mine], off[mine], minlength=which.max() + 1) / np.maximum(counts[-1], 1))
    return 1e3 * (means[1] - means[0])[np.minimum(*counts) >= 8]


@pytest.mark.parametrize("seed", [300, 500])
@pytest.mark.parametrize("design", [None, 3])
def test_a_joined_light_mesh_is_as_near_the_part_as_one_scans(design: int | None, seed: int, tmp_path: Path) -> None:
    solid = (Design.sample() if design is None else Design.varied(design)).part().solid
    kinds = {"design": design, "facets": FACETS}
    made = [set_up(axis, seed=seed + k, **kinds) for k, axis in enumerate(AXES)]
    whole = [set_up(AXES[0], also=AXES[1:], seed=seed + k, **kinds) for k in (0, 1)]
    for name, scans in (("side", made), ("whole", whole)):
        for k, one in enumerate(scans):
            write_stl(tmp_path / f"{name}-{k}.stl", one.vertices, one.faces, "mm")
    job = tmp_path / "both.toml"
    job.write_text(f'scan = "side-0.stl"\nout = "both"\n[[set_up]]\nscan = "side-1.stl"\n[lighten]\nfacets = {LIGHT}\n')
    both = pipeline.run(job, until="lighten")
    alone = [
        pipeline.run(
            make_job({"scan": tmp_path / f"whole-{k}.stl", "lighten": {"facets": LIGHT}}),
            out=tmp_path / f"alone-{k}",
            until="lighten",
        )
        for k in (0, 1)
    ]
    light = both.lighten.surface
    found, _ = _figures(light.vertices, light.faces)
    normals, middle = facet_normals(light.vertices, light.faces), light.vertices[light.faces].mean(axis=1)
    facet, far = Scene(light).first(middle + 1e-3 * normals, normals)
    near = far < 0.2
    doubled = int((np.einsum("ij,ij->i", normals[facet[near]], normals[near]) > 0.5).sum())
    steps = _steps(both, made[0].to_scan, solid)
    print(f"\ndesign {design}, seed {seed}: {found}, doubled {doubled}, steps at {len(steps)} places rms")
    print(f"  {np.sqrt(np.mean(steps**2)):.1f}, most {np.abs(steps).max():.1f} um")
    results, moved = [both, *alone], [made[0].to_scan, *(one.to_scan for one in whole)]
    quotients = {}
    for what in ("clean", "lighten"):
        off = _common([_mesh(getattr(r, what).surface, to, solid) for r, to in zip(results, moved, strict=True)])
        joined, one = _told(off[0]), _told(np.concatenate(off[1:]))
        quotients[what] = np.array(joined) / one
        for name, told in (("joined", joined), ("one scan", one), *zip("01", map(_told, off[1:]), strict=True)):
            print(f"  {what:8} {name:9} rms {told[0]:.2f}, 99 % {told[1]:.1f} um")
        print(f"  {what:8} quotients {quotients[what].round(4)}")
    assert found["nonmanifold"] == found["crossing"] == doubled == 0
    # Two standard deviations of the difference of two scans, 12, 5 and 4 um each.
    assert np.abs(steps).max() < 2.0 * np.sqrt(2.0) * 1e3 * SIGMA
    assert (quotients["lighten"] <= 1.0).all()
