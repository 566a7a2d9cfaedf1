"""Proposals name what is not the part, and nothing of the part."""

from __future__ import annotations

import tomllib
from itertools import pairwise

import numpy as np
import pytest

from pipeline.features.exclusion.foreign_geometry import propose
from pipeline.features.exclusion.zones import inside
from pipeline.job import CleanSettings, Zone, make_job, zone_text
from pipeline.mesh.topology.measures import mean_edge
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.values import Extent, Feature, Form, Proposal, ReadResult, Source, Uncertainty
from pipeline.values.surface import Surface
from tests.scans import demo_scan

PLUG, STUB = -1, -2


def _source(v: np.ndarray, f: np.ndarray, sigma: float = 0.013) -> Source:
    low, high = v.min(axis=0), v.max(axis=0)
    bounds = (tuple(map(float, low)), tuple(map(float, high)))
    return Source("made.stl", "0" * 64, len(f), len(v), "mm", 1.0, sigma, mean_edge(v, f), bounds)


def _bore(point: np.ndarray, direction: np.ndarray, radius: float, length: float, name: str) -> Feature:
    return Feature(
        id=name,
        kind="cylinder",
        side="bore",
        point=np.asarray(point, dtype=float),
        direction=np.asarray(direction, dtype=float),
        radius=radius,
        uncertainty=Uncertainty(None, None, None, "given"),
        form=Form(0.01, 0.05, 1.0, "cylindricity"),
        extent=Extent(1.0, 1, length=length, arc=2 * np.pi, along=(-length / 2, length / 2)),
    )


def _zone(proposal: Proposal) -> Zone:
    # Its text must be a job's section as it stands.
    job = make_job({"scan": "x.stl", **tomllib.loads(zone_text(proposal.zone))})
    (zone,) = job.clean.exclude
    assert zone == proposal.zone
    return zone


@pytest.mark.parametrize(("seed", "design"), [(2, None), (4, 11)])
def test_the_demo_has_a_plug_and_a_post_and_nothing_else(seed: int, design: int | None) -> None:
    scan = demo_scan(200_000, seed, design, stub=True, second_pass=True, gaps=40)
    read = ReadResult(Surface.measured(scan.vertices, scan.faces), _source(scan.vertices, scan.faces))
    surface = clean(read, CleanSettings(), silent).surface
    to_scan = np.array(scan.truth["to_scan"])
    bores = [
        _bore(
            to_scan[:3, :3] @ t["point"] + to_scan[:3, 3],
            to_scan[:3, :3] @ t["direction"],
            t["radius"],
            t["length"],
            t["name"],
        )
        for t in scan.truth["features"]
        if t["kind"] == "cylinder" and t["side"] == "bore" and t["length"]
    ]
    # A facet is machined where the generator says so; its vertices tell which facet it was before cleaning.
    place = {tuple(c): label for c, label in zip(_centres(scan).round(9), scan.label, strict=True)}
    now = surface.vertices[surface.faces].mean(axis=1).round(9)
    labels = np.array([0 if place[tuple(c)] > 0 else -1 for c in now], dtype=np.int32)

    found = propose(surface, labels, bores, read.source)
    assert [p.what for p in found] == ["plug", "post"]
    assert "cross bore" in found[0].reason
    centres = _centres(scan)
    cross = next(b for b in bores if b.id == "cross bore")
    for proposal, wanted in zip(found, (PLUG, STUB), strict=True):
        mask = inside(_zone(proposal), centres)
        mine = scan.label == wanted
        assert (mask & mine).sum() > 0.75 * mine.sum(), proposal.what
        others = mask & ~np.isin(scan.label, (PLUG, STUB, -3, -4))
        if wanted == STUB:
            # The foot of the post, where it runs into the casting, may be a few facets.
            assert others.sum() < 0.01 * mine.sum()
        else:
            # What the generator gives to the wall lies in the fillet between wall and plug, not on the wall.
            offset = centres[others] - cross.point
            radius = np.linalg.norm(np.cross(offset, cross.direction), axis=1)
            assert (radius < cross.radius - 0.1).all()


def _centres(scan) -> np.ndarray:
    return scan.vertices[scan.faces].mean(axis=1)


def _revolved(profile: list[tuple[float, float]], edge: float = 0.8, around: int = 96, sigma: float = 0.012):
    """A surface of revolution about z through (radius, z) points, normals to the left of the profile's way."""
    corners = np.array(profile, dtype=float)
    line = [
        np.linspace(p, q, max(2, round(np.linalg.norm(q - p) / edge)), endpoint=False) for p, q in pairwise(corners)
    ]
    points = np.concatenate([*line, corners[-1:]])
    angle = 2 * np.pi * np.arange(around) / around
    v = np.stack(
        [points[:, :1] * np.cos(angle), points[:, :1] * np.sin(angle), np.repeat(points[:, 1:], around, 1)], axis=2
    ).reshape(-1, 3)
    i, k = np.divmod(np.arange((len(points) - 1) * around), around)
    here, right = i * around + k, i * around + (k + 1) % around
    f = np.stack([here, right, right + around, here, right + around, here + around], axis=1).reshape(-1, 3)
    v += sigma * np.random.default_rng(0).normal(size=v.shape)
    return v, f.astype(np.int32)


@pytest.mark.parametrize(
    "bottom",
    [
        [(0.1, -20)],
        [(0.1, -26)],
        [(6, -20), (6, -22), (0.1, -22)],
        [(9, -20), (9, -21), (3, -21), (3, -25), (0.1, -25)],
    ],
)
def test_bottoms_that_a_tool_leaves_are_no_plugs(bottom: list[tuple[float, float]]) -> None:
    v, f = _revolved([(30, 0), (10, 0), (10, -20), *bottom])
    centre = v[f].mean(axis=1)
    on_wall = np.abs(np.hypot(centre[:, 0], centre[:, 1]) - 10) < 0.2
    labels = np.where(on_wall, 0, -1).astype(np.int32)
    bore = _bore([0, 0, -10], [0, 0, 1], 10, 20, "bore-1")
    assert propose(Surface.measured(v, f), labels, [bore], _source(v, f)) == ()


def test_the_same_bottom_crumpled_is_a_plug() -> None:
    v, f = _revolved([(30, 0), (10, 0), (10, -20), (0.1, -20)])
    radius = np.hypot(v[:, 0], v[:, 1])
    paper = (radius < 9.5) & (v[:, 2] < -15)
    v[paper, 2] += 0.35 * np.sin(1.1 * v[paper, 0]) * np.cos(1.3 * v[paper, 1] + 0.4)
    centre = v[f].mean(axis=1)
    labels = np.where(np.abs(np.hypot(centre[:, 0], centre[:, 1]) - 10) < 0.2, 0, -1).astype(np.int32)
    bore = _bore([0, 0, -10], [0, 0, 1], 10, 20, "bore-1")
    (plug,) = propose(Surface.measured(v, f), labels, [bore], _source(v, f))
    assert plug.what == "plug"
    mask = inside(_zone(plug), centre)
    assert mask.sum() > 0.8 * ((np.hypot(centre[:, 0], centre[:, 1]) < 9.5) & (centre[:, 2] < -15)).sum()
    assert not mask[labels == 0].any()
    # A machined face in there is the part: then nothing is proposed.
    labels[mask & (np.hypot(centre[:, 0], centre[:, 1]) < 4)] = 1
    assert propose(Surface.measured(v, f), labels, [bore], _source(v, f)) == ()


def test_an_arm_that_ends_openly_is_a_post_unless_it_is_machined_or_short() -> None:
    def run(length: float, machined: bool) -> list[str]:
        v, f = _revolved([(6, length), (6, 0), (40, 0), (40, -30), (0.1, -30)])
        labels = np.full(len(f), 0 if machined else -1, dtype=np.int32)
        # The profile runs inwards: turn it so that the normals look away from the material.
        corners = v[f]
        top = np.argmax(corners[:, :, 2].mean(axis=1))
        normal = np.cross(corners[top, 1] - corners[top, 0], corners[top, 2] - corners[top, 0])
        if normal[:2] @ corners[top].mean(axis=0)[:2] < 0:
            f = f[:, ::-1].copy()
        return [p.what for p in propose(Surface.measured(v, f), labels, [], _source(v, f))]

    assert run(25, machined=False) == ["post"]
    assert run(25, machined=True) == []
    assert run(5, machined=False) == []


def test_an_open_scan_is_no_post() -> None:
    # A pot without its floor: its border is as wide as the part.
    v, f = _revolved([(40, 0), (40, 90), (0.1, 90)])
    for faces in (f, f[:, ::-1].copy()):
        assert propose(Surface.measured(v, faces), np.full(len(f), -1, dtype=np.int32), [], _source(v, f)) == ()


def test_a_loose_piece_is_proposed_unless_it_carries_a_machined_face() -> None:
    v, f = _revolved([(0.1, 0), (30, 0), (30, -30), (0.1, -30)])
    w, g = _revolved([(0.1, 0), (9, 0), (9, -9), (0.1, -9)])
    both = np.vstack([v, w + np.array([60, 0, 0])])
    faces = np.vstack([f, g + len(v)]).astype(np.int32)
    labels = np.full(len(faces), -1, dtype=np.int32)
    source = _source(both, faces)
    (piece,) = propose(Surface.measured(both, faces), labels, [], source)
    assert piece.what == "loose piece"
    mask = inside(_zone(piece), both[faces].mean(axis=1))
    np.testing.assert_array_equal(np.flatnonzero(mask), np.arange(len(f), len(faces)))
    labels[len(f) :] = 3
    assert propose(Surface.measured(both, faces), labels, [], source) == ()
