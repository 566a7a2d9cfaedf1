"""Open CAD parts as they come and made into scans: every cylinder found, with its radius, and no other.

TR12J_OCC.stl: Debian occt-misc (LGPL-2.1 with exception), a flared housing casting drawn with bores D170 and
D439, outer diameters D190 and D489; linkrods.step, CrankArm.brep: the same package; t13_data.stl: gmsh wheel
(GPL-2+), a bored housing, bores 2 x D35, bosses 2 x D50; nema-17-bracket.step: build123d sdist (Apache-2.0).
Of .step and .brep the exact surfaces say what the cylinders are (read by Open CASCADE), of .stl the tests' own
exact reading of the tessellation (tests/scans.py), and the diameters named here as drawn.

Wanted is every cylinder of more than 120 degrees and 2 mm. The reading of a tessellation looks for whole rulings
and passes over fillets drawn otherwise, so that a found cylinder which it doesn't list is looked at itself: it is
true where the exact surface under its facets lies on it. One that says itself that it is not to be relied on is not
held to that.
"""

import numpy as np
import pytest

from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from tests.scans import open_part, scan_like
from tests.stages.test_recover import recovered

DRAWN = {
    "TR12J_OCC.stl": {"bore": (170.0, 439.0), "boss": (190.0, 489.0)},
    "t13_data.stl": {"bore": (35.0,), "boss": (50.0,)},
}
SIGMA = 0.012
LEAST_ARC, LEAST_LENGTH = 120.0, 2.0
# Part, scale that makes it a casting's size, mm of edge.
SCANS = (
    ("t13_data.stl", 1.0, 0.5),
    ("nema-17-bracket.step", 1.0, 0.25),
    ("CrankArm.brep", 1.0, 0.4),
    ("linkrods.step", 25.4, 0.5),
    ("TR12J_OCC.stl", 1.0, 1.6),
)
# Part, the same scale, mm within which a vertex lies on its surface: three decimals in the one file, else float32.
RAW = (
    ("t13_data.stl", 1.0, 1e-3),
    ("nema-17-bracket.step", 1.0, 1e-4),
    ("TR12J_OCC.stl", 1.0, 1e-4),
    pytest.param("CrankArm.brep", 1.0, 1e-4, marks=pytest.mark.slow),
    pytest.param("linkrods.step", 25.4, 1e-4, marks=pytest.mark.slow),
)


def found(exact, features):
    """The feature that is the cylinder `exact`, or None."""
    near = []
    for feature in features:
        if feature.kind != "cylinder" or feature.side != exact.side:
            continue
        away = feature.point - exact.point
        along = float(away @ exact.direction)
        offset = float(np.linalg.norm(away - along * exact.direction))
        off = abs(feature.radius - exact.radius)
        turn = abs(float(feature.direction @ exact.direction))
        inside = exact.low - 2.0 < along < exact.high + 2.0
        if inside and turn > np.cos(np.radians(1.0)) and offset < 0.2 and off < 0.1:
            near.append((off + offset, feature))
    return min(near, key=lambda pair: pair[0])[1] if near else None


def off_surface(features, labels, vertices, faces):
    """Cylinders under whose facets the exact surface isn't on them: rms, mm, by id."""
    out = {}
    for index, feature in enumerate(features):
        if feature.kind == "cylinder":
            corners = np.unique(faces[labels == index])
            out[feature.id] = float(np.sqrt(np.mean(signed_distance(shape_of(feature), vertices[corners]) ** 2)))
    return out


def check(cylinders, result, vertices, faces, tolerance):
    """All that is wanted is found within 3 standard uncertainties, and nothing that isn't there to `tolerance` mm."""
    wanted = [c for c in cylinders if c.arc > LEAST_ARC and c.length > LEAST_LENGTH]
    assert wanted
    hits = [found(cylinder, result.features) for cylinder in wanted]
    missed = [(c.side, round(c.radius, 3)) for c, hit in zip(wanted, hits, strict=True) if hit is None]
    assert missed == []
    for cylinder, hit in zip(wanted, hits, strict=True):
        assert hit.uncertainty.radius is not None, hit.id
        assert abs(hit.radius - cylinder.radius) <= 3.0 * hit.uncertainty.radius, (hit.id, cylinder.radius)
    known = {hit.id for c in cylinders if (hit := found(c, result.features)) is not None}
    known |= {f.id for f in result.features if f.confidence == "low"}
    away = off_surface(result.features, result.labels, vertices, faces)
    assert {name: off for name, off in away.items() if name not in known and off > tolerance} == {}


@pytest.mark.parametrize(("name", "scale", "tolerance"), RAW)
def test_tessellation_as_it_comes(name, scale, tolerance):
    part = open_part(name, scale)
    vertices = np.asarray(part.vertices, float)
    result = recovered(vertices, part.faces)
    check(part.cylinders, result, vertices, part.faces, tolerance)
    for side, diameters in DRAWN.get(name, {}).items():
        sizes = [2 * f.radius for f in result.features if f.kind == "cylinder" and f.side == side]
        for diameter in diameters:
            assert min(abs(size - diameter) for size in sizes) < 0.002


def check_scan(name, scale, edge):
    part = open_part(name, scale)
    scan, exact = scan_like(part, edge, SIGMA), scan_like(part, edge, 0.0)
    assert np.array_equal(scan.to_scan, exact.to_scan)
    result = recovered(scan.vertices, scan.faces)
    # A fillet that the noise hides to be no cylinder is one as far as the scan can tell.
    check(scan.cylinders, result, exact.vertices, scan.faces, SIGMA / 2)


@pytest.mark.parametrize("edge", [0.4, 0.35])
def test_bracket_made_dense_and_noisy(edge):
    check_scan("nema-17-bracket.step", 1.0, edge)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "scale", "edge"), SCANS)
def test_made_dense_and_noisy(name, scale, edge):
    check_scan(name, scale, edge)
