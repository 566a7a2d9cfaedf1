"""Lightening against fast_simplification and pymeshlab, same scan, same count, same run. CPU seconds, not wall.

Run with: pytest -m slow tests/benchmarks/test_lighten_bars.py -s
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import fast_simplification
import numpy as np
import pymeshlab
import pytest

from pipeline.job import LightenSettings
from pipeline.mesh.query.distance import Scene
from pipeline.mesh.query.facet_points import spread_points
from pipeline.mesh.query.self_intersections import self_intersections
from pipeline.mesh.topology.defects import edge_report
from pipeline.stages.lighten import lighten
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values.surface import Surface
from tests.cpu import cpu
from tests.known import Known, known
from tests.needles import thin_facets
from tests.scans import Noise, demo_scan

pytestmark = pytest.mark.slow

WHOLE = {"gaps": 0, "unseen_depths": False, "plug": False, "debris": 0}


def _by_fast_simplification(part: Known, count: int) -> Surface:
    surface = part.fill.surface
    vertices, faces = fast_simplification.simplify(
        surface.vertices.astype(np.float32), surface.faces, target_count=count
    )
    return Surface.measured(vertices, faces)


def _by_pymeshlab(part: Known, count: int) -> Surface:
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(part.fill.surface.vertices, part.fill.surface.faces))
    meshes.meshing_decimation_quadric_edge_collapse(targetfacenum=count)
    mesh = meshes.current_mesh()
    return Surface.measured(mesh.vertex_matrix(), mesh.face_matrix())


def _figures(light: Surface, points: np.ndarray) -> tuple[float, float, float]:
    d = Scene(light).distance(points)
    return float(np.sqrt((d**2).mean())), float(np.quantile(d, 0.99)), float(d.max())


@pytest.mark.parametrize(
    ("facets", "others"), [(1e6, ("fast_simplification", "pymeshlab")), (4e6, ("fast_simplification",))]
)
def test_same_count_closer_to_the_part_in_less_time(facets: float, others: tuple[str, ...]) -> None:
    part = known(demo_scan(facets, 1, **WHOLE))
    settings = LightenSettings(facets=100_000)
    # Compiled before the clock starts.
    small = known(demo_scan(20_000, 3, **WHOLE))
    lighten(small.fill, small.recover, small.source, LightenSettings(facets=3_000))
    begun = cpu()
    ours = lighten(part.fill, part.recover, part.source, settings)
    spent = cpu() - begun
    true, seen = part.scan.true_vertices, part.scan.vertices
    rms, p99, most = _figures(ours.surface, true)
    print(f"\n{len(part.scan.faces):,} facets to {ours.surface.facets:,}: {spent:.1f} s CPU")
    print(f"  ours: rms {1e3 * rms:.2f} p99 {1e3 * p99:.1f} max {1e3 * most:.0f} um of the part without noise")
    print("  ours, of the scan as measured: rms {:.2f} p99 {:.1f} max {:.0f} um".format(*_um(ours.surface, seen)))
    report = edge_report(ours.surface.faces, len(ours.surface.vertices))
    assert (report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate, report.border) == (0,) * 5
    assert not thin_facets(ours.surface.vertices, ours.surface.faces).any()
    assert not len(self_intersections(ours.surface.vertices, ours.surface.faces))
    assert _flipped(ours.surface, part) == 0
    for name in others:
        begun = cpu()
        theirs = {"fast_simplification": _by_fast_simplification, "pymeshlab": _by_pymeshlab}[name](part, 100_000)
        took = cpu() - begun
        r, p, m = _figures(theirs, true)
        print(f"  {name}: {took:.1f} s CPU; rms {1e3 * r:.2f} p99 {1e3 * p:.1f} max {1e3 * m:.0f} um")
        print("    of the scan as measured: rms {:.2f} p99 {:.1f} max {:.0f} um".format(*_um(theirs, seen)))
        assert rms <= r
        assert p99 <= p
        if name == "fast_simplification" and facets > 2e6:
            assert spent <= took
    for k, feature in enumerate(part.recover.features):
        vertices = ours.surface.vertices[np.unique(ours.surface.faces[ours.labels == k])]
        assert np.abs(signed_distance(shape_of(feature), vertices)).max() < 1e-3, feature.id


def _um(light: Surface, points: np.ndarray) -> tuple[float, ...]:
    return tuple(1e3 * v for v in _figures(light, points))


def _flipped(light: Surface, part: Known) -> int:
    """Light facets whose middle faces against the exact part's outside there, by a step along the normal."""
    corners = light.vertices[light.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    middle = corners.mean(axis=1)
    step = 0.02
    rise = part.scan.distance(middle + step * normal, True) - part.scan.distance(middle - step * normal, True)
    return int((rise < 0).sum())


def _worst(light: Surface, part: Known) -> float:
    """Two-sided maximum distance from the part without noise, mm: vertices one way, spread points the other."""
    points, _ = spread_points(light.vertices, light.faces, 300_000)
    truth = Surface.measured(part.scan.true_vertices, part.scan.faces)
    back = Scene(truth).distance(np.vstack([points, light.vertices])).max()
    return float(max(Scene(light).distance(part.scan.true_vertices).max(), back))


def test_same_tolerance_fewer_facets() -> None:
    part = known(demo_scan(1e6, 1, noise=Noise(0.0, ()), **WHOLE))
    ours = lighten(part.fill, part.recover, part.source, LightenSettings(tolerance=0.03))
    print(f"\n0.03 mm: ours {ours.surface.facets:,} facets; on this measure {_worst(ours.surface, part):.4f} mm")
    low, high = ours.surface.facets, part.fill.surface.facets
    while high > 1.05 * low:
        count = int(np.sqrt(low * high))
        worst = _worst(_by_fast_simplification(part, count), part)
        print(f"  fast_simplification {count:,}: {worst:.4f} mm")
        low, high = (low, count) if worst <= 0.03 else (count, high)
    print(f"  smallest that holds: {high:,}; ratio {high / ours.surface.facets:.2f}")
    assert ours.surface.facets < high


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from Linux's /proc")
def test_ten_million_facets_fit_in_two_gigabytes() -> None:
    """Made in a process of its own, whose high-water mark is then that of lightening alone."""
    code = """
from pathlib import Path
import numpy as np
from pipeline.job import LightenSettings
from pipeline.mesh.surface import Surface
from pipeline.stages.lighten import lighten
from pipeline.values import FillResult, NoiseModel, RecoverResult, Source
side = 2237
x, y = np.meshgrid(np.arange(side) * 0.1, np.arange(side) * 0.1)
v = np.empty((side * side, 3))
v[:, 0], v[:, 1] = x.ravel(), y.ravel()
v[:, 2] = 3 * np.sin(v[:, 0] / 9) * np.sin(v[:, 1] / 11)
del x, y
v[:, 2] += np.random.default_rng(0).normal(0, 0.005, len(v))
f = np.empty((2 * (side - 1) ** 2, 3), np.int32)
c = (np.arange(side - 1, dtype=np.int32)[:, None] * side + np.arange(side - 1, dtype=np.int32)).ravel()
h = len(c)
f[:h, 0] = c; f[:h, 1] = c + 1; f[:h, 2] = c + side + 1; f[h:, 0] = c; f[h:, 1] = c + side + 1; f[h:, 2] = c + side
del c
surface = Surface(v, f, np.zeros(len(f), np.uint8))
labels = np.full(len(f), -1, np.int32)
source = Source('', '', len(f), len(v), 'mm', 1.0, 0.005, 0.1, ((0, 0, 0), (1, 1, 1)))
recover = RecoverResult((), labels, NoiseModel(0.005, 0.005, np.zeros((1, 2)), ''))
made = lighten(FillResult(surface, labels, ()), recover, source, LightenSettings(facets=100_000))
# Of this program alone: what getrusage tells starts from the peak of the process that started it.
lines = Path("/proc/self/status").read_text().splitlines()
print(made.surface.facets, len(f), 1024 * int(next(line for line in lines if line.startswith("VmHWM")).split()[1]))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    facets, before, peak = map(int, done.stdout.split())
    print(f"\n{before:,} to {facets:,}: peak {peak / 1e9:.2f} GB")
    assert facets <= 100_000
    assert peak <= 2e9
