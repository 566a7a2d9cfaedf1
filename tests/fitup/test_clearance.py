"""What is said of two placed parts, against closed forms.

Covers: pipeline.fitup.clearance, pipeline.fitup.bodies, pipeline.fitup.figures, pipeline.fitup.words
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.errors import SettingsError
from pipeline.fitup import Body, Line, Placed, clearance, item_in_words, lacking, placed, turned_body
from pipeline.geometry import rigid
from pipeline.mesh.topology import facet_neighbours
from pipeline.values import FILLED, Surface
from tests.fitup.bodies import block_body, standing


def body(name: str, mesh: trimesh.Trimesh, skin: float = 0.0) -> Body:
    surface = Surface.measured(mesh.vertices, mesh.faces)
    return Body(name, surface, np.full(surface.facets, -1, np.int32), (), skin=skin)


def at(part: Body, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Placed:
    return Placed(part, placed([], rigid(np.eye(3), np.array([x, y, z]))))


CUBE = body("cube", trimesh.creation.box((20.0, 20.0, 20.0)), 0.03)
BALL = body("ball", trimesh.creation.icosphere(4, 5.0), 0.04)


@pytest.mark.parametrize(
    ("least", "verdict"), [(0.0, "clear"), (4.89, "clear"), (4.95, "can't be said"), (5.2, "too near")]
)
def test_a_ball_beside_a_cube(least: float, verdict: str) -> None:
    """Distance 5 exactly; both surfaces within 0.03 and 0.04: 0.05 together, 0.1 at 95 %."""
    found = clearance(at(CUBE), at(BALL, 20.0), least)
    assert found.spot is not None
    assert found.spot.distance == pytest.approx(5.0, abs=1e-12)
    assert found.spot.expanded == pytest.approx(0.1, rel=1e-12)
    assert found.spot.places.ravel().tolist() == pytest.approx([10.0, 0, 0, 15.0, 0, 0], abs=1e-9)
    assert found.verdict == verdict


def test_crossing_and_inside() -> None:
    """The ball's middle is 2 mm off the face: 3 mm of it lie in the cube; wholly inside it crosses nothing."""
    crossing = clearance(at(CUBE), at(BALL, 12.0))
    assert (crossing.verdict, crossing.spot) == ("hits", None)
    assert crossing.depth == pytest.approx(3.0, abs=0.01)
    inside = clearance(at(CUBE), at(BALL))
    assert (inside.verdict, inside.crossing) == ("hits", 0)
    assert inside.depth == pytest.approx(10.0 - 5.0 / np.sqrt(3.0), abs=0.2)  # of the corners that look farthest in


@pytest.mark.parametrize("ball_first", [False, True])
def test_what_was_never_measured_is_not_clear(ball_first: bool) -> None:
    """The side of the cube that looks at the ball was filled: nothing is sure of what may be there."""
    towards = CUBE.surface.vertices[CUBE.surface.faces][:, :, 0].min(axis=1) > 9.9
    filled = replace(
        CUBE, surface=replace(CUBE.surface, origin=np.where(towards, FILLED, CUBE.surface.origin).astype(np.uint8))
    )
    parts = (at(BALL, 20.0), at(filled)) if ball_first else (at(filled), at(BALL, 20.0))
    found = clearance(*parts, 6.0)
    assert found.verdict == "can't be said"
    assert found.unseen is not None
    assert found.unseen.distance == pytest.approx(5.0, abs=1e-12)
    assert found.spot is not None
    assert found.spot.distance > 6.0  # to the cube's edges, which were measured
    assert "never scanned" in found.why


def test_a_shaft_in_its_bore_is_a_fit_and_clear() -> None:
    """A shaft of D40 0.02 mm below its bore: play by the sizes; its collar keeps 2 mm from the face."""
    ring = turned_body("ring", [(0.0, 80.0), (30.0, 80.0)], 0.0)
    bored = _bored(ring, 20.0)
    shaft = turned_body("shaft", [(-40.0, 60.0), (-2.0, 60.0), (-2.0, 39.96), (50.0, 39.96)], 0.004)
    pose = placed([Line(item_in_words(shaft, "axis", "axis"), item_in_words(bored, "bore", "axis"), False, "shaft")])
    found = clearance(at(bored), Placed(shaft, pose), 0.5)
    (fit,) = found.fits
    assert (fit.bore, fit.inner) == (("ring", "bore"), ("shaft", "step 2"))
    assert fit.play == pytest.approx(0.04, abs=1e-12)
    assert fit.expanded == pytest.approx(2 * 2 * np.hypot(0.003, 0.004))
    assert (fit.eccentric, fit.overlap) == (pytest.approx(0.0, abs=1e-12), pytest.approx(30.0))
    assert found.verdict == "clear"
    assert found.spot is not None
    assert found.spot.distance == pytest.approx(2.0, abs=1e-9)
    off = at(shaft, 0.0, 0.5, 0.0)
    assert clearance(at(bored), off).verdict == "hits"  # beside the axis the sizes do not allow what is there


def _bored(ring: Body, radius: float) -> Body:
    """A ring with a bore as a feature of its own, known within 0.003 mm."""
    mesh = trimesh.creation.annulus(radius, 40.0, 30.0, sections=360)
    vertices, faces = mesh.vertices + np.array([0.0, 0.0, 15.0]), mesh.faces
    on = np.hypot(*vertices[:, :2].T) < radius + 1e-6
    labels = np.where(on[faces].all(axis=1), 0, -1).astype(np.int32)
    step = ring.features[2]
    bore = replace(step, id="bore", side="bore", radius=radius, uncertainty=replace(step.uncertainty, radius=0.003))
    surface = Surface.measured(vertices, faces)
    return Body("ring", surface, labels, (bore,), skin=0.003)


def test_noise_does_not_bring_parts_nearer() -> None:
    """A noisy plate below a ball's flat nose: of 40 scans the mean of the distances is the plate's, not its peaks'.

    The stated 95 % hold the true 2 mm in at least 90 % of them (binomial: of 40 at least 34 with 99 %).
    """
    random = np.random.default_rng(7)
    grid = trimesh.creation.box((40.0, 40.0, 4.0)).subdivide().subdivide().subdivide().subdivide()
    nose = body("nose", trimesh.creation.cylinder(8.0, 10.0, sections=90))
    off, held = [], 0
    for _ in range(40):
        noisy = trimesh.Trimesh(
            grid.vertices + random.normal(0.0, 0.013, grid.vertices.shape), grid.faces, process=False
        )
        plate = replace(body("plate", noisy), skin=None)
        found = clearance(at(plate, z=-2.0), at(nose, z=7.0))
        assert found.spot is not None
        off.append(found.spot.distance - 2.0)
        held += abs(off[-1]) <= found.spot.expanded
    assert abs(np.mean(off)) < 0.005  # a quarter of what the raw minimum is off
    assert held >= 34


def test_a_turned_body_is_closed_and_near_its_figures() -> None:
    """Volume against the frustum's formula, pi h (R2 + R r + r2) / 3; facets lie inside by 2 um at most."""
    made = turned_body("plug", [(0, 30), (20, 30), (20, 40), (50, 24)], 0.01)
    mesh = trimesh.Trimesh(made.surface.vertices, made.surface.faces, process=False)
    exact = np.pi * 15**2 * 20 + np.pi * 30 * (20**2 + 20 * 12 + 12**2) / 3
    assert (facet_neighbours(made.surface.faces, len(mesh.vertices)) >= 0).all()
    assert exact * (1 - 3e-4) < mesh.volume < exact
    assert [f.kind for f in made.features] == ["plane", "plane", "cylinder", "cone"]


@pytest.mark.parametrize(
    ("words", "wanted", "said"),
    [
        ("step 9", "axis", "rod: There is no feature 'step 9'"),
        ("end", "axis", "rod: end is a face, where an axis is wanted"),
        ("step 1", "face", "rod: step 1 is an axis, where a face is wanted"),
        ("bore nearest [1, 2]", "axis", "rod: .* three numbers"),
    ],
)
def test_words_that_mean_nothing_are_one_sentence(words: str, wanted: str, said: str) -> None:
    rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    with pytest.raises(SettingsError, match=said):
        item_in_words(rod, words, wanted)


def test_a_place_on_an_edge_is_as_sure_as_the_faces_that_hold_it() -> None:
    """Two rods beside each other, both radii within 0.01 mm: their rims are nearest as well, 2 sqrt(2) 0.01 mm at 95 %.

    A cone's rim over a rod's: the direction between both lies between the normals of the end faces and the sides, so
    that place and radius count, each by the cosine of its angle to that direction.
    """
    rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    beside = clearance(at(rod), at(replace(rod, name="bar"), x=22.0))
    assert beside.spot is not None
    assert beside.spot.distance == pytest.approx(2.0, abs=1e-5)
    assert beside.spot.expanded == pytest.approx(2 * np.hypot(0.01, 0.01), rel=1e-6)
    across = clearance(at(rod), at(replace(rod, name="bar"), x=23.0, z=54.0))
    assert across.spot is not None
    assert across.spot.distance == pytest.approx(5.0, abs=1e-5)
    # Either rod: end face by 0.01 along z, side by 0.01 along x; the direction is (0.6, 0.8).
    assert across.spot.expanded == pytest.approx(2 * np.hypot(np.hypot(0.006, 0.008), np.hypot(0.006, 0.008)), rel=1e-4)


def test_facets_that_lie_within_their_surface_do_not_count() -> None:
    """Two rods with the middles of chords turned to each other: 2 um too far by either's facets."""
    rod = turned_body("rod", [(0, 20), (50, 20)], 0.0)
    sides = len(np.unique(rod.surface.vertices[:, :2], axis=0)) - 1
    half = np.pi / sides
    turn = np.array([[np.cos(half), -np.sin(half), 0], [np.sin(half), np.cos(half), 0], [0, 0, 1.0]])
    bar = replace(rod, name="bar")
    one, other = (Placed(rod, placed([], rigid(turn, np.array([x, 0.0, 0.0])))) for x in (0.0, 23.0))
    found = clearance(one, replace(other, body=bar))
    assert found.spot is not None
    assert found.spot.raw == pytest.approx(3.0 + 20.0 * (1 - np.cos(half)), abs=1e-9)
    assert found.spot.distance == pytest.approx(3.0, abs=1e-9)


def test_between_two_features_the_closed_form_stands_and_not_the_proudest_facet() -> None:
    """A rod of 14 in a noisy bore of 16, off its axis by 0.5: they are 1 - 0.5 apart, by the circles' own distance; the
    nearest of the noisy facets lies far aside of that place, where the circles are farther apart."""
    block = block_body(96)
    noise = 0.02 * np.random.default_rng(5).standard_normal(len(block.surface.vertices))
    radial = block.surface.vertices * [1.0, 1.0, 0.0]
    on_bore = np.zeros(len(noise), bool)
    on_bore[block.surface.faces[block.labels == 2]] = True
    radial /= np.maximum(np.linalg.norm(radial, axis=1), 1e-9)[:, None]
    moved = block.surface.vertices + (on_bore * noise)[:, None] * radial
    noisy = replace(block, surface=Surface.measured(moved, block.surface.faces))
    rod = turned_body("rod", [(0.0, 14.0), (8.0, 14.0)], 0.0)
    found = clearance(at(noisy), at(rod, 0.4, 0.3, 6.0))
    assert found.spot is not None
    assert found.spot.on == ("bore", "step 1")
    assert found.spot.distance == pytest.approx(0.5, abs=1e-5)
    assert found.spot.places[1][:2] / 7.5 == pytest.approx([0.8, 0.6], abs=0.02)


def test_a_datum_goes_by_its_letter() -> None:
    lettered = replace(block_body(), datums={"A": "top", "B": "bore"})
    top = item_in_words(lettered, "top", "face").point.tolist()
    for words in ("A", "datum A"):
        assert item_in_words(lettered, words, "face").point.tolist() == top
    assert item_in_words(lettered, "B", "axis").direction is not None
    with pytest.raises(SettingsError, match="'C'"):
        item_in_words(lettered, "C", "face")
    named = replace(lettered, names={"bottom": "A"})
    assert item_in_words(named, "A", "face").point.tolist() == item_in_words(named, "bottom", "face").point.tolist()


def test_the_scale_of_a_scan_is_in_what_it_moves_and_drops_out_where_the_part_is_placed_by_it() -> None:
    # JCGM 100:2008, 5.2.2: one error for all lengths of a scan; 0.5 mm per m, standard.
    scale = 5e-4
    block = replace(block_body(), scale=scale)
    bar = turned_body("bar", [(0, 10), (30, 10)], 0.0)
    over = np.eye(4)
    over[0, 3], over[2, 3] = 20.0, 23.0
    spot = clearance(standing(block), Placed(bar, placed([], over)), 0.0).spot
    assert spot is not None
    sizes = {term.name: term.size for term in spot.terms}
    # The top lies 20 mm from the part's origin.
    assert sizes["block scale of its scan"] == pytest.approx(20.0 * scale)
    # Placed by that very face, the bar goes along with it.
    line = Line(item_in_words(bar, "start", "face"), item_in_words(block, "top", "face"), True, "start on top", gap=3.0)
    spot = clearance(standing(block), Placed(bar, placed([line], over)), 0.0).spot
    assert spot is not None
    assert {term.name: term.size for term in spot.terms}.get("block scale of its scan", 0.0) < 1e-7
    assert "the scale of the scan" not in lacking({"block": standing(block)})
    unsaid = {"block": standing(replace(block, scale=0.0)), "bar": standing(bar)}
    assert "the scale of the scan of block (its job gives no [read] scale_uncertainty)" in lacking(unsaid)


def test_faces_that_are_meant_to_touch_do_not_count() -> None:
    """A post D6, 30 high, on the top of a block: what stands on a scanned face isn't near what lies below that, so the
    nearest that counts is the post's other end."""
    block = standing(block_body())
    post = at(turned_body("post", [(0, 6), (30, 6)], 0.0), 20.0, 10.0, 20.0)
    assert clearance(post, block).verdict == "hits"
    stands = clearance(post, block, 5.0, [("start", "top")])
    assert stands.verdict == "clear"
    assert stands.spot is not None
    assert stands.spot.raw == pytest.approx(30.0, abs=0.003)
    # Sunk in by more than what a scan's noise could be, it is not only touching.
    sunk = at(turned_body("post", [(0, 6), (30, 6)], 0.0), 20.0, 10.0, 19.5)
    assert clearance(sunk, block, 5.0, [("start", "top")]).verdict == "hits"


def test_a_place_goes_with_its_part_as_a_rigid_body_and_grows_from_its_part_s_origin() -> None:
    """Truth: a rotation of scipy about the origin, and a scale of 0.05 mm per m from where the part's own origin is."""
    turn, shift, along = np.array([1e-6, -2e-6, 3e-6]), np.array([1e-4, 0.0, -2e-4]), np.array([0.6, 0.0, 0.8])
    there = rigid(Rotation.from_rotvec([0.0, 0.0, 0.5]).as_matrix(), np.array([200.0, -90.0, 40.0]))
    pose = replace(placed([], there), moves={("cube", "F1", "a"): np.concatenate([shift, turn])})
    place = np.array([210.0, -85.0, 50.0])
    gains = Placed(replace(CUBE, scale=5e-5), pose).gains(place, along)
    moved = Rotation.from_rotvec(turn).apply(place) + shift - place
    assert gains["cube", "F1", "a"] == pytest.approx(float(along @ moved), abs=1e-8)
    (grown,) = (gain for key, gain in gains.items() if key != ("cube", "F1", "a"))
    assert grown == pytest.approx(5e-5 * float(along @ (place - there[:3, 3])), rel=1e-9)
