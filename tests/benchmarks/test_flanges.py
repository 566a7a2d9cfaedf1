"""Bolt circles, missing holes and outlines of whole demo scans against their exact designs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.sketches.flanges import polyline
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.job import CleanSettings, FrameSettings, RecoverSettings
from pipeline.mesh.topology.measures import mean_edge
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.frame import frame
from pipeline.stages.recover import recover
from pipeline.values import FillResult, Outline, ReadResult, Source
from pipeline.values.surface import Surface
from tests.scans import demo_scan

# The demo part and five others; the sets of equal holes that are drilled round a middle.
PARTS = [(1, None), (11, 11), (12, 12), (13, 13), (14, 14), (15, 15)]
SETS = ("bolt hole", "tapping hole")


def recovered(seed, design):
    scan = demo_scan(400_000, seed, design)
    surface = Surface.measured(scan.vertices, scan.faces)
    low, high = (tuple(map(float, f(surface.vertices, axis=0))) for f in (np.min, np.max))
    edge = mean_edge(surface.vertices, surface.faces)
    sigma = white_sigma(surface.vertices, surface.faces)
    source = Source("scan", "0", surface.facets, len(surface.vertices), "mm", 1.0, sigma, edge, (low, high))
    cleaned = clean(ReadResult(surface, source), CleanSettings(), silent)
    return scan, cleaned, recover(cleaned, source, RecoverSettings(), (), silent)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "design"), PARTS)
def test_flanges_of_a_whole_scan(seed, design) -> None:
    scan, cleaned, found = recovered(seed, design)
    result = frame(found, FillResult(cleaned.surface, found.labels, ()), FrameSettings(), {})
    assert result.frame.complete
    rings = [(f, p) for f in result.flanges for p in f.patterns if p.kind == "pitch_circle"]
    for name in SETS:
        holes = [f for f in scan.part.faces if f.name.startswith(name) and f.kind == "cylinder"]
        if len(holes) < 3:
            continue
        places = np.array([h.point for h in holes])
        axis, middle = holes[0].direction, places.mean(axis=0)
        off = places - middle
        diameter = 2 * np.linalg.norm(off - np.outer(off @ axis, axis), axis=1).mean()
        near = [(away(scan, f, p, middle, axis), p) for f, p in rings]
        miss, ring = min(near, key=lambda pair: pair[0])
        print(f"{name}: centre {1e3 * miss:.1f} um, diameter {1e3 * (ring.diameter - diameter):+.1f} um")
        assert (ring.count, ring.missing) == (len(holes), 0)
        assert miss < 0.015
        assert abs(ring.diameter - diameter) < 0.020
    # Every clean piece of the two main faces' outlines lies on the sharp edge: on the exact part's surface.
    for flange in result.flanges[:2]:
        back = np.linalg.inv(flange.matrix)
        for outline in (flange.outer, *flange.inner):
            for segment in outline.segments:
                if segment.kind == "free":
                    continue
                flat = polyline(Outline((segment,), 0.0, 0.0, 0.0))
                points = flat @ back[:3, :2].T + back[:3, 3]
                assert np.abs(scan.distance(points)).max() < 0.1


@pytest.mark.slow
def test_a_masked_hole_is_missed() -> None:
    scan, cleaned, found = recovered(*PARTS[0])
    hole = scan.face("bolt hole 3")
    middle = scan.to_scan[:3, :3] @ hole.point + scan.to_scan[:3, 3]
    axis = scan.to_scan[:3, :3] @ hole.direction
    gone = next(
        i for i, f in enumerate(found.features)
        if f.kind == "cylinder" and np.linalg.norm(np.cross(f.point - middle, axis)) < 0.1
    )  # fmt: skip
    kept = tuple(f for i, f in enumerate(found.features) if i != gone)
    labels = np.where(found.labels == gone, -1, found.labels - (found.labels > gone)).astype(np.int32)
    masked = replace(found, features=kept, labels=labels, patterns=())
    result = frame(masked, FillResult(cleaned.surface, labels, ()), FrameSettings(), {})
    flange, ring = max(
        ((f, p) for f in result.flanges for p in f.patterns if p.kind == "pitch_circle"), key=lambda fp: fp[1].diameter
    )
    assert (ring.count, ring.missing) == (8, 1)
    back = np.linalg.inv(flange.matrix)
    place = back[:3, :2] @ ring.gaps_at[0] + back[:3, 3]
    assert np.linalg.norm(np.cross(place - middle, axis)) < 0.05


def away(scan, flange, ring, middle, axis) -> float:
    """Distance of a found circle's centre from the true axis, mm."""
    back = np.linalg.inv(flange.matrix)
    centre = scan.to_part((back[:3, :2] @ ring.centre + back[:3, 3])[None])[0]
    off = centre - middle
    return float(np.linalg.norm(off - (off @ axis) * axis))
