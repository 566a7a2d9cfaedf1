"""Rims that run smoothly on: into fillets, which a machined face may have, or into the skin that it would be a bit of.

What is exact here is drawn: planes and circles whose radii say how far skin of that bend stays within the noise.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, ncx2

from pipeline.features.segmentation import rims, search
from pipeline.features.segmentation.region_growing import Growth
from pipeline.surfaces import PACKED, begin
from pipeline.surfaces.shape import Shape, pack
from pipeline.values.surface import Surface
from tests.features.faces import grid, revolved
from tests.features.segmentation.test_extraction import Z, settled, tube
from tests.stages.test_recover import recovered

SIGMA = 0.012


def table(flat, fillet, edge=0.5, size=64.0):
    """A round flat of so many mm across that falls off all round over a fillet of that radius, to 45 degrees."""
    count = int(size / edge)
    rng = np.random.default_rng(5)

    def height(x, y):
        out = np.maximum(np.hypot(x - size / 2, y - size / 2) - flat / 2, 0.0)
        round_it = np.minimum(out, fillet * np.sqrt(0.5))
        return np.sqrt(fillet**2 - round_it**2) - fillet - (out - round_it)

    vertices, faces, normals = grid(count, edge, height)
    return vertices + rng.normal(0, SIGMA, (len(vertices), 1)) * normals, faces


@pytest.mark.parametrize(("flat", "fillet"), [(40.0, 4.0), (40.0, 10.0), (30.0, 6.0)])
def test_a_broad_flat_between_fillets_is_a_plane_of_low_confidence(flat, fillet):
    result = recovered(*table(flat, fillet))
    (top,) = (f for f in result.features if f.kind == "plane" and f.direction @ Z > 0.9999)
    assert top.confidence == "low"
    assert "of its rim runs smoothly" in top.reasons[0]
    assert "as a fillet does" in top.reasons[0]
    # As much of the fillet as hides in 4 sigma may be reckoned to it all round, and a row of facets be lost.
    around = np.sqrt(2 * fillet * 4 * SIGMA)
    assert math.pi * (flat / 2 - 1.0) ** 2 < top.extent.area < math.pi * (flat / 2 + around + 0.5) ** 2
    assert abs(top.point @ Z) < 3 * top.uncertainty.position


def test_a_flat_that_such_skin_would_hide_stays_refused():
    """Of a dome of R 200 skin 2 sqrt(2 R 4 sigma) = 8.8 mm across lies within 4 sigma: one of 10 mm tells nothing."""
    result = recovered(*table(10.0, 200.0))
    assert not any(f.kind == "plane" and f.direction @ Z > 0.999 for f in result.features)


def test_a_strip_of_a_dome_is_no_cone():
    """Of a dome whose meridian has R 300 a band 2 sqrt(2 R 4 sigma) = 10.7 mm wide lies within 4 sigma of a cone."""
    rng = np.random.default_rng(3)
    meridian = 300.0
    heights = np.arange(0.0, 90.0, 0.6)
    vertices, faces = revolved(
        lambda angle, z: 60.0 + np.sqrt(meridian**2 - z**2) - meridian + rng.normal(0, SIGMA, z.shape), heights, 400
    )
    # The cone that touches it half way up.
    middle = 45.0
    slope = -middle / np.sqrt(meridian**2 - middle**2)
    radius = 60.0 + np.sqrt(meridian**2 - middle**2) - meridian
    cone = Shape("cone", np.array([0.0, 0.0, middle]), -Z, radius, half_angle=math.atan(-slope))
    half = np.sqrt(2 * meridian * 4 * SIGMA)
    members = np.flatnonzero(np.abs(vertices[:, 2] - middle) < half).astype(np.int32)
    ground, piece = settled(vertices, faces, "cone", pack(cone), 1.0, members)
    ground.label[members] = 0
    verdict = rims.judged_by_rim(ground, piece, 0)
    assert verdict.refused is not None
    assert "curves both ways" in verdict.refused
    assert 0.7 * meridian < float(verdict.refused.split("radius of about ")[1].split()[0]) < 1.5 * meridian


def test_what_of_a_rim_may_run_into_skin():
    vertices, faces, packed, members = tube(np.arange(30) * 0.5, 250, arc=120.0)
    _, piece = settled(vertices, faces, "cylinder", packed, 1.0, members)
    assert len(piece.region.core) > 300
    assert rims.ends(piece, 0.39)
    assert not rims.ends(piece, 0.41)
    more = replace(piece, extent=replace(piece.extent, arc=1.01 * math.pi))  # more than half a turn
    assert rims.ends(more, 0.5)
    few = replace(piece, region=replace(piece.region, core=piece.region.core[:200]))
    assert not rims.ends(few, 0.13)
    vertices, faces, packed, _ = tube(np.arange(30) * 0.5, 250)
    _, whole = settled(vertices, faces, "cylinder", packed, 1.0)
    assert rims.ends(whole, 1.0)  # a journal between two fillets


def test_what_was_left_for_its_open_rim_is_looked_at_again():
    """Beyond a fillet of R 40 the normals are within the angle of growth: the search alone leaves the flat out."""
    vertices, faces = table(44.0, 40.0, size=90.0)
    result = recovered(vertices, faces)
    (top,) = (f for f in result.features if f.kind == "plane" and f.direction @ Z > 0.9999)
    assert top.confidence == "low"
    assert search.NAMES[0] == "plane"


def test_an_open_patch_is_looked_at_though_all_that_another_kind_reached_is_taken():
    """What a growth reached as another kind, after its first, may be somebody's by now: its core is what counts."""
    vertices, faces = table(40.0, 4.0)
    ground = search.prepare(Surface.measured(vertices, faces), SIGMA)
    core = np.flatnonzero(np.hypot(vertices[:, 0] - 32.0, vertices[:, 1] - 32.0) < 19.5).astype(np.int32)
    taken = np.flatnonzero(np.hypot(vertices[:, 0] - 32.0, vertices[:, 1] - 32.0) > 30.0).astype(np.int32)
    ground.label[taken] = 0
    growth = Growth(0, pack(Shape("plane", np.array([32.0, 32.0, 0.0]), Z)), 1.0, taken, core, 0.3, np.inf, 1)
    standing, others = rims.broad_ones(ground, [growth], 1)
    assert len(standing) + len(others) == 1
    (region,) = standing or [refusal.region for refusal in others]
    assert np.isin(core, region.members).all()
    assert not np.isin(taken, region.members).any()


def test_an_open_patch_is_judged_where_its_surface_ends():
    """Some mm within its flat nothing bends away; 1.2 mm beyond its edge there is a fillet of R 6."""
    vertices, faces = table(40.0, 6.0)
    ground = search.prepare(Surface.measured(vertices, faces), SIGMA)
    away = np.hypot(vertices[:, 0] - 32.0, vertices[:, 1] - 32.0)
    core = np.flatnonzero(away < 16.0).astype(np.int32)
    flat = pack(Shape("plane", np.array([32.0, 32.0, 0.0]), Z))
    standing, others = rims.broad_ones(ground, [Growth(0, flat, 1.0, core, core, 0.3, np.inf, 1)], 0)
    assert others == []
    (region,) = standing
    assert 19.5 < away[region.members].max() < 20.0 + np.sqrt(2 * 6.0 * 4 * SIGMA) + 0.5


def test_how_many_vertices_tell_a_bend_of_half_the_noise():
    """Chi squared of three degrees of freedom, the shares by scipy."""
    assert chi2.sf(rims.TOLD, 3) == pytest.approx(0.01, rel=0.01)
    assert ncx2.sf(rims.TOLD, 3, 0.25 * rims._TELLING) == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize("twist", [0.0, 0.6])
def test_small_planes_are_told_from_twisted_ones(twist):
    """Of 144 vertices; twisted by so much of the noise, rms. Of true planes chance bends one in a hundred."""
    count, edge, tries = 12, 1.0, 40
    half = 0.5 * (count - 1) * edge
    vertices, faces, _ = grid(count, edge, lambda x, y: (x - half) * (y - half))
    form = vertices[:, 2] / vertices[:, 2].std() * twist * SIGMA
    members = np.arange(len(vertices), dtype=np.int32)
    low = 0
    for seed in range(tries):
        vertices[:, 2] = form + np.random.default_rng(seed).normal(0.0, SIGMA, len(vertices))
        flat = np.zeros(PACKED)
        assert begin(0, vertices, np.tile(Z, (len(vertices), 1)), flat)
        ground, piece = settled(vertices, faces, "plane", flat, 1.0, members)
        ground.wave = 0.25 * SIGMA
        ground.label[members] = 0
        doubt = rims.judged_by_rim(ground, piece, 0).doubt
        low += doubt is not None and "bowed or twisted" in doubt
    assert low <= 2 if twist == 0.0 else low >= 0.9 * tries


def test_few_vertices_tell_of_no_bend():
    vertices, faces, _ = grid(7, 1.0, lambda x, y: 0.0 * x)
    vertices[:, 2] += np.random.default_rng(2).normal(0.0, SIGMA, len(vertices))
    flat = pack(Shape("plane", np.array([3.0, 3.0, 0.0]), Z))
    ground, piece = settled(vertices, faces, "plane", flat, 1.0, np.arange(49, dtype=np.int32))
    ground.label[:] = 0
    doubt = rims.judged_by_rim(ground, piece, 0).doubt
    assert doubt is not None
    assert doubt.startswith("its 49 vertices are too few")


def test_a_small_plane_that_strays_up_to_its_edges_is_of_low_confidence():
    """A bit of a bend beside what it is tangent to: its middle is flat, its two outer rows fall off."""
    count, edge = 13, 1.0
    vertices, faces, _ = grid(count, edge, lambda x, y: -0.014 * np.maximum(np.abs(x - 6.0) - 4.0, 0.0))
    vertices[:, 2] += np.random.default_rng(2).normal(0.0, SIGMA, len(vertices))
    flat = pack(Shape("plane", np.array([6.0, 6.0, 0.0]), Z))
    inner = np.flatnonzero(np.abs(vertices[:, 0] - 6.0) < 4.5).astype(np.int32)
    for members, strays in ((np.arange(len(vertices), dtype=np.int32), True), (inner, False)):
        ground, piece = settled(vertices, faces, "plane", flat, 1.0, members)
        ground.wave = 0.25 * SIGMA
        ground.label[members] = 0
        piece = replace(piece, region=replace(piece.region, packed=flat, core=inner))
        doubt = rims.judged_by_rim(ground, piece, 0).doubt
        assert (doubt is not None) == strays
        assert not strays or "up to its edges" in doubt


def test_what_a_plane_was_fitted_on_counts_though_it_is_not_said_to_carry_it():
    """Its outermost rows lead away by six times the noise, so are trimmed off: told if they pulled the fit."""
    vertices, faces, _ = grid(17, 1.0, lambda x, y: -0.06 * (np.abs(x - 8.0) > 7.5))
    vertices[:, 2] += np.random.default_rng(4).normal(0.0, 0.01, len(vertices))
    flat = pack(Shape("plane", np.array([8.0, 8.0, 0.0]), Z))
    every = np.arange(len(vertices), dtype=np.int32)
    inner = np.flatnonzero(np.abs(vertices[:, 0] - 8.0) < 7.5).astype(np.int32)
    ground, piece = settled(vertices, faces, "plane", flat, 1.0, every)
    ground.wave = 0.25 * ground.sigma
    ground.label[:] = 0
    for core, told in ((inner, False), (every, True)):
        region = replace(piece.region, packed=flat, core=core)
        assert len(np.setdiff1d(every, search.carriers(ground, region))) > 20
        doubt = rims.judged_by_rim(ground, replace(piece, region=region), 0).doubt
        assert (doubt is not None) == told, doubt
