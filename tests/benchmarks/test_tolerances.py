"""Tolerances held: the two-sided maximum by another library's exact distance, on the demo and on an open part.

TR12J_OCC.stl: Debian occt-misc (LGPL-2.1 with exception), a flared housing casting, made dense and noisy.
Run with: pytest -m slow tests/benchmarks/test_tolerances.py -s
"""

from __future__ import annotations

import resource

import numpy as np
import pytest

from pipeline.features.simplification.feature_association import noise_reach, target_surface
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.job import CleanSettings, LightenSettings, RecoverSettings
from pipeline.mesh.query.facet_points import spread_points
from pipeline.mesh.query.self_intersections import self_intersections
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.measures import mean_edge
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.lighten import lighten
from pipeline.stages.recover import recover
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import FillResult, LightenResult, ReadResult, RecoverResult, Source
from pipeline.values.surface import Surface
from tests.apart import distances_to
from tests.known import known
from tests.needles import thin_facets
from tests.scans import Noise, demo_scan, open_part, scan_like

pytestmark = pytest.mark.slow

TOLERANCES = [0.01, 0.02, 0.05, 0.1]
WHOLE = {"gaps": 0, "unseen_depths": False, "plug": False, "debris": 0}
Part = tuple[FillResult, RecoverResult, Source]


@pytest.fixture(scope="module")
def demo() -> Part:
    part = known(demo_scan(200_000, 1, **WHOLE))
    return part.fill, part.recover, part.source


@pytest.fixture(scope="module")
def housing() -> Part:
    scan = scan_like(open_part("TR12J_OCC.stl"), 4.0, 0.012)
    vertices, faces = np.asarray(scan.vertices, float), np.asarray(scan.faces, np.int32)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    source = Source(
        "scan", "", len(faces), len(vertices), "mm", 1.0, white_sigma(vertices, faces), mean_edge(vertices, faces),
        (tuple(low), tuple(high)),
    )  # fmt: skip
    cleaned = clean(ReadResult(Surface.measured(vertices, faces), source), CleanSettings(), silent)
    found = recover(cleaned, source, RecoverSettings(), (), silent)
    return FillResult(cleaned.surface, found.labels, ()), found, source


@pytest.mark.parametrize("tolerance", TOLERANCES)
def test_on_the_demo(demo: Part, tolerance: float) -> None:
    _hold(demo, tolerance)


@pytest.mark.parametrize("tolerance", TOLERANCES)
def test_on_an_open_part(housing: Part, tolerance: float) -> None:
    _hold(housing, tolerance)


def test_on_a_million_facets_without_noise() -> None:
    part = known(demo_scan(1e6, 1, noise=Noise(0.0, ()), **WHOLE))
    _hold((part.fill, part.recover, part.source), 0.03)


def _hold(part: Part, tolerance: float) -> None:
    fill, found, source = part
    before = resource.getrusage(resource.RUSAGE_SELF)
    made = lighten(fill, found, source, LightenSettings(tolerance=tolerance))
    after = resource.getrusage(resource.RUSAGE_SELF)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    forth, back = _both_ways(part, made)
    light = made.surface
    print(
        f"\n{fill.surface.facets:,} facets, {tolerance:g} mm: {light.facets:,} left, {spent:.1f} s CPU; "
        f"scan to light {1e3 * forth:.2f}, light to scan {1e3 * back:.2f} um"
    )
    assert max(forth, back) <= tolerance
    assert not made.cautions
    was, report = edge_report(fill.surface.faces, len(fill.surface.vertices)), edge_report(
        light.faces, len(light.vertices)
    )  # fmt: skip
    assert (report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate) == (0, 0, 0, 0)
    assert (report.border > 0) == (was.border > 0)
    assert not thin_facets(light.vertices, light.faces).any()
    assert not len(self_intersections(light.vertices, light.faces))


def _both_ways(part: Part, made: LightenResult) -> tuple[float, float]:
    """Of the scan's vertices and facet middles, and of points spread over the light mesh and its vertices."""
    fill, found, source = part
    scan, light = fill.surface, made.surface
    target = target_surface(
        scan.vertices, scan.faces, fill.labels, found.features, noise_reach(source.noise_sigma), source.noise_sigma
    )
    middles = target.vertices[scan.faces[:: max(1, scan.facets // 300_000)]].mean(axis=1)
    forth = distances_to(np.vstack([target.vertices, middles]), light.vertices, light.faces)
    spread, of_facet = spread_points(light.vertices, light.faces, 400_000, seed=5)
    points = np.vstack([spread, light.vertices])
    of_vertex = np.full(len(light.vertices), -1)
    labelled = made.labels >= 0
    of_vertex[light.faces[labelled].ravel()] = np.repeat(made.labels[labelled], 3)
    labels = np.concatenate([made.labels[of_facet], of_vertex])
    back = distances_to(points, target.vertices, scan.faces)
    # On a feature the noise-free surface is the fitted one, not the chords between the scan's vertices.
    for k, feature in enumerate(found.features):
        mine = labels == k
        back[mine] = np.minimum(back[mine], np.abs(signed_distance(shape_of(feature), points[mine])))
    return float(forth.max()), float(back.max())
