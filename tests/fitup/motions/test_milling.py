"""What would have to be milled off a part, and how far another one goes then, against closed forms.

Covers: pipeline.fitup.motions.milling, pipeline.fitup.motions.what_if
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import trimesh

from pipeline.fitup import Body, Item
from pipeline.fitup.motions import Gain, Motion, Run, travel
from pipeline.fitup.motions.milling import milled
from pipeline.geometry import unit
from pipeline.surfaces import SituationFeature
from pipeline.values import Extent, Feature, Form, Uncertainty
from tests.fitup.test_clearance import at, body

SIGMA = 0.01
X, DOWN = (
    Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array(way)), False) for way in ([1.0, 0, 0], [0.0, 0, -1])
)
ABOUT_Y = Motion(Item(SituationFeature.AXIS, np.array([0.0, 0.0, 200.0]), np.array([0.0, -1.0, 0.0])), True)
WIDE = 60.0


def bar_of(outline: list[tuple[float, float]], wide: float = WIDE) -> trimesh.Trimesh:
    """What an outline of x and z is, `wide` along y, its middle at y = 0."""
    import manifold3d

    flat = manifold3d.CrossSection([np.array(outline)])
    mesh = flat.extrude(wide).to_mesh()
    x, y, z = np.asarray(mesh.vert_properties, np.float64)[:, :3].T
    return trimesh.Trimesh(np.column_stack([x, 0.5 * wide - z, y]), np.asarray(mesh.tri_verts), process=False)


def ribbed(end: float = 40.0) -> trimesh.Trimesh:
    """A plate, its top at z = 20, with a rib of 6 x 5 across it at x = 0 and an upright end from x = 46 on."""
    return bar_of(
        [(-50, 0), (50, 0), (50, end), (46, end), (46, 20), (3, 20), (3, 25), (-3, 25), (-3, 20), (-50, 20)]
    )  # fmt: skip


def with_faces(name: str, mesh: trimesh.Trimesh) -> Body:
    """A part whose flat faces are features, each known within 0.01 mm."""
    plain = body(name, mesh, SIGMA)
    labels = np.full(len(mesh.faces), -1, np.int32)
    features = []
    for k, (facets, normal, at_) in enumerate(zip(mesh.facets, mesh.facets_normal, mesh.facets_origin, strict=True)):
        labels[facets] = k
        known = Uncertainty(SIGMA, 0.0, None, "given")
        features.append(
            Feature(f"F{k + 1}", "plane", None, np.array(at_), unit(normal), None, known, Form(0.0, 0.0, 1.0, ""),
                    Extent(1.0, 0))
        )  # fmt: skip
    return replace(plain, labels=labels, features=tuple(features))


@cache
def slider() -> Body:
    return body("slider", trimesh.creation.box((10.0, 10.0, 10.0)), SIGMA)


def run_of(
    over: Body, least: float = 0.0, motion: Motion = X, x: float = -30.0, z: float = 28.0, up_to: float = 200.0
) -> Run:
    (run,) = travel(at(slider(), x, 0.0, z), {"plate": at(over)}, motion, up_to, least=least).runs
    return run


def milled_off(run: Run, part: str) -> list[Gain]:
    return [gain for gain in run.gains if gain.milling is not None and gain.part == part]


def fine(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(*trimesh.remesh.subdivide_to_size(mesh.vertices, mesh.faces, 4.0))


@pytest.mark.parametrize("part", [with_faces("plate", ribbed()), body("plate", fine(ribbed()), SIGMA)])
@pytest.mark.parametrize("least", [0.0, 0.5])
def test_a_rib_in_the_way(part: Body, least: float) -> None:
    """The slider's underside at z = 23 meets the rib at x = -3. With the rib 2 mm lower, and what is to be kept, it
    goes 49 mm farther, to the upright end."""
    run = run_of(part, least)
    assert run.run == pytest.approx(22.0 - least, abs=1e-6)
    (gain,) = milled_off(run, "plate")
    assert gain.run - run.run == pytest.approx(49.0, abs=1e-5)
    off = gain.milling
    assert off is not None
    assert off.depth == pytest.approx(2.0 + least, abs=2e-3)
    assert off.way.tolist() == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert off.place[2] == pytest.approx(25.0)
    assert off.expanded == pytest.approx(2.0 * np.hypot(SIGMA, SIGMA))
    assert gain.expanded == pytest.approx(2.0 * np.hypot(SIGMA, SIGMA), rel=1e-3)
    assert gain.stop is not None
    assert gain.stop[0] == "plate"


def test_down_onto_a_rib() -> None:
    """From 60 mm down to the rib's top at 25: 5 mm more and 5 mm to mill, until the plate stops it."""
    run = run_of(with_faces("plate", ribbed()), 0.0, DOWN, 0.0, 65.0)
    assert run.run == pytest.approx(35.0, abs=1e-6)
    (gain,) = milled_off(run, "plate")
    assert gain.run == pytest.approx(40.0, abs=1e-5)
    assert gain.milling is not None
    assert gain.milling.depth == pytest.approx(5.0, abs=2e-3)


def test_a_turn_into_a_rib() -> None:
    """Turned about an axis 200 mm up, the corner that leads meets the rib's flank, and the one that trails, whose
    circle is larger, goes lowest: to there the rib has to go. Nothing else is in the way."""
    run = run_of(with_faces("plate", ribbed(20.0)), 0.0, ABOUT_Y, -40.0, 33.0, up_to=1.5)
    leads, trails = np.hypot(35.0, 172.0), np.hypot(45.0, 172.0)
    assert run.run == pytest.approx(np.arctan2(35.0, 172.0) - np.arcsin(3.0 / leads), abs=1e-6)
    (gain,) = milled_off(run, "plate")
    assert (gain.run, gain.stop) == (pytest.approx(1.5), None)
    assert gain.milling is not None
    assert gain.milling.depth == pytest.approx(trails - 175.0, abs=2e-3)


def test_what_gains_nothing() -> None:
    """A post stands beside the rib, as far ahead: without the rib the post stops the slider at the same place."""
    plate, post = with_faces("plate", ribbed()), body("post", trimesh.creation.box((6.0, 2.0, 40.0)), SIGMA)
    (run,) = travel(
        at(slider(), -30.0, 0.0, 28.0), {"plate": at(plate), "post": at(post, 0.0, 2.0, 40.0)}, X, 200.0
    ).runs
    assert run.run == pytest.approx(22.0, abs=1e-6)
    assert not milled_off(run, "plate")
    assert not milled_off(run, "post")


def test_no_way_through_a_wall() -> None:
    """A wide wall behind which there is nothing: milling it away all through isn't proposed, nor from its side, nor
    what is below a ceiling from above."""
    wall = with_faces("plate", trimesh.creation.box((15.0, 80.0, 80.0)))
    run = run_of(wall, 0.0, X, -60.0, 0.0)
    assert run.run == pytest.approx(47.5, abs=1e-6)
    assert not milled_off(run, "plate")
    roofed = bar_of([(0, 0), (80, 0), (80, 60), (-40, 60), (-40, 50), (0, 50)])
    run = run_of(with_faces("plate", roofed), 0.0, X, -30.0, 40.0)
    assert run.run == pytest.approx(25.0, abs=1e-6)
    assert not milled_off(run, "plate")


def test_milled_facets() -> None:
    """A plane through a random surface: nothing is left above it, and what was below stays, by area."""
    rng = np.random.default_rng(5)
    corners, way = rng.normal(size=(400, 3, 3)), unit(np.array([1.0, 2.0, -0.5]))
    left, source = milled(corners, way, 0.2)
    assert (left @ way).max() <= 0.2 + 1e-12

    def area(facets: np.ndarray) -> float:
        return 0.5 * np.linalg.norm(np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0]), axis=1)

    # Of a facet, the part about the corner that is alone on its side of the plane is as the product of what is cut of
    # both its edges.
    high = np.sort(corners @ way - 0.2, axis=1)
    low, middle, top = high.T
    lone = low**2 / ((low - middle) * (low - top)), 1.0 - top**2 / ((top - low) * (top - middle))
    share = np.select([top <= 0, low >= 0, middle >= 0], [1.0, 0.0, lone[0]], lone[1])
    below = (left @ way - 0.2).min(axis=1) < -1e-12
    assert area(left[below]).sum() == pytest.approx(share @ area(corners), rel=1e-9)
    whole = np.bincount(source, minlength=400)
    assert set(np.unique(whole)) <= {1, 3}
