"""Open CAD parts made into scans: every plane and cylinder found, or refused with its place and reason; none is false.

The parts are those of tests/checks/test_open_parts.py, which says where they come from. Wanted is every plane over
60 mm2 as drawn and every cylinder over R 1 and 120 degrees (2 mm long, as there). A plane is found when features that
lie on it within a degree and 0.1 mm carry half of it at least; it is listed when what was refused does. A feature is
false where the exact surface strays from it by more than half the noise under more than a fifth of its facets: at its
rim even a true one has some that lead into a fillet. The noise moves a fit to some tens of vertices as far, so that a
drawn cylinder is not held to that, nor a plane that has nine tenths of its vertices on one drawn plane and is off that
by no more than its own uncertainty allows, at 95 % for all features together (Bonferroni); how far the noise may move a
cylinder is checked in test_open_parts.py.

How dense: a face is found when it is at least 3.5 edges wide and has 24 vertices, and listed when it has these. The
flared housing has strips from 2.6 mm on, so that it takes edges of 1 mm, where a scanner's are 0.3 to 0.5, and it is
just dense enough there. Seeds 1, 5, 11 and 41 to 45 were looked at while recovery was made. Of its 162 planes those
first run when that was done show found and listed, without a false feature of good confidence: 156 and 6 (seeds
51 and 55, 1.0 mm), 157 and 5 (54, 1.0 mm), 160 and 2 (52, 0.85 mm), 159 and 3 (56, 0.85 mm), 157 and 5 (53 and 57, 0.7
mm); all of its cylinders are found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from tests.checks.test_open_parts import LEAST_ARC, LEAST_LENGTH, SIGMA, found
from tests.open_planes import lying_on, planes_of
from tests.scans import open_part, scan_like
from tests.stages.test_recover import recovered

# Part, scale that makes it a casting's size, mm of edge.
SCANS = (
    ("t13_data.stl", 1.0, 0.5),
    ("nema-17-bracket.step", 1.0, 0.25),
    ("CrankArm.brep", 1.0, 0.4),
    ("linkrods.step", 25.4, 0.5),
    ("TR12J_OCC.stl", 1.0, 1.0),
)
LEAST_AREA, LEAST_RADIUS = 60.0, 1.0
TURN, OFF = np.cos(np.radians(1.0)), 0.1


@dataclass(frozen=True)
class Tally:
    """Of a part's planes or cylinders: how many are wanted, found, refused and listed; and what is missing."""

    wanted: int
    found: int
    listed: int
    missing: tuple[str, ...]


def on_it(normal, point, direction, place):
    return direction @ normal > TURN and abs(float((place - point) @ normal)) < OFF


def plane_tally(part, exact, result, faces):
    planes = planes_of(part, LEAST_AREA)
    owner = lying_on(planes, exact)
    whole = np.bincount(owner[owner >= 0], minlength=len(planes))
    turn, shift = exact.to_scan[:3, :3], exact.to_scan[:3, 3]
    hits, listed, missing = 0, 0, []
    for index, plane in enumerate(planes):
        normal, point = turn @ plane.direction, turn @ plane.point + shift
        carried = np.zeros(len(owner), bool)
        for k, f in enumerate(result.features):
            if f.kind == "plane" and on_it(normal, point, f.direction, f.point):
                carried[faces[result.labels == k]] = True
        told = carried.copy()
        for r in result.rejected:
            if r.number is not None and r.kind == "plane" and on_it(normal, point, r.direction, r.place):
                told[faces[r.facets]] = True
        mine = owner == index
        if carried[mine].sum() > 0.5 * whole[index]:
            hits += 1
        elif told[mine].sum() > 0.5 * whole[index]:
            listed += 1
        else:
            share = max(carried[mine].mean(), told[mine].mean()) if whole[index] else 0.0
            missing.append(f"plane {plane.area:.0f} mm2 at {plane.point.round(1)}, {100 * share:.0f} % seen")
    return Tally(len(planes), hits, listed, tuple(missing))


def cylinder_tally(exact, result):
    wanted = [c for c in exact.cylinders if c.arc > LEAST_ARC and c.length > LEAST_LENGTH and c.radius > LEAST_RADIUS]
    hits, listed, missing = 0, 0, []
    for cylinder in wanted:
        if found(cylinder, result.features) is not None:
            hits += 1
        elif found(cylinder, [r for r in result.rejected if r.number is not None]) is not None:
            listed += 1
        else:
            missing.append(f"{cylinder.side} R{cylinder.radius:.3f}, {cylinder.length:.1f} long")
    return Tally(len(wanted), hits, listed, tuple(missing))


def off_by(feature, normal, point):
    """How far a plane lies off a drawn one: chi squared, of its own uncertainty, with three degrees of freedom."""
    sure = feature.uncertainty
    off = np.array([(point - feature.point) @ normal, *(sure.basis @ normal)])
    return off @ np.linalg.solve(sure.covariance, off) if normal @ feature.direction > TURN else np.inf


def strays(part, result, exact, faces):
    """Ids of the false features, good and low."""
    planes = planes_of(part, 1.0)
    owner = lying_on(planes, exact)
    turn, shift = exact.to_scan[:3, :3], exact.to_scan[:3, 3]
    drawn = {hit.id for c in exact.cylinders if (hit := found(c, result.features)) is not None}
    good, low = [], []
    for index, feature in enumerate(result.features):
        corners = np.unique(faces[result.labels == index])
        if feature.kind == "plane":
            most = np.bincount(owner[corners] + 1, minlength=len(planes) + 1)[1:].argmax()
            normal, point = turn @ planes[most].direction, turn @ planes[most].point + shift
            mostly = (owner[corners] == most).mean() > 0.9
            if mostly and off_by(feature, normal, point) < chi2.isf(0.05 / len(result.features), 3):
                continue
        off = signed_distance(shape_of(feature), exact.vertices[corners])
        if feature.id not in drawn and np.quantile(np.abs(off), 0.8) > SIGMA / 2:
            (good if feature.confidence == "good" else low).append(f"{feature.id} {feature.extent.area:.0f} mm2")
    return good, low


def counted(name, scale, edge, seed=1):
    """Tally of the planes, of the cylinders, and the false features, good and low, of a part made dense."""
    part = open_part(name, scale)
    scan, exact = scan_like(part, edge, SIGMA, seed), scan_like(part, edge, 0.0, seed)
    result = recovered(scan.vertices, scan.faces)
    return (
        plane_tally(part, exact, result, scan.faces),
        cylinder_tally(exact, result),
        strays(part, result, exact, scan.faces),
    )


def check(name, scale, edge, seed=1):
    planes, cylinders, (good, low) = counted(name, scale, edge, seed)
    print(f"{name} at {edge} mm: {planes}, {cylinders}, false good {good}, false low {low}")
    assert good == []
    assert planes.missing == cylinders.missing == ()
    for tally in (planes, cylinders):
        assert tally.found >= 0.95 * tally.wanted


def test_planes_and_cylinders_of_the_bracket():
    check("nema-17-bracket.step", 1.0, 0.4)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "scale", "edge"), SCANS)
def test_planes_and_cylinders_of_open_parts(name, scale, edge):
    check(name, scale, edge)
