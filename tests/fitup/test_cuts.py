"""Cuts of bodies whose volumes any formulary tells: what goes, what is opened, what changes, what is refused.

Covers: pipeline.fitup.cut_tools, pipeline.fitup.words
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.solid import NEVER_SEEN
from pipeline.fitup import clearance, item_on, placed, turned_body
from pipeline.fitup.bodies import PLANNED, Placed
from pipeline.geometry import rigid
from pipeline.values import Surface
from tests.fitup.bodies import SIGMA, block_body, cut, standing, with_void
from tests.pierced_block import HEIGHT, LENGTH, RADIUS, WIDTH

BLOCK = LENGTH * WIDTH - np.pi * RADIUS**2  # mm2 of its section


@pytest.fixture(scope="module")
def block() -> Placed:
    return standing(block_body())


def test_a_facing_takes_a_slice_and_moves_with_its_face(block: Placed) -> None:
    found = cut(block, facing={"face": "top", "take": 2.5}, density=7.2)
    assert found.volume == pytest.approx(2.5 * BLOCK, rel=1e-6)
    assert found.mass == pytest.approx(2.5 * BLOCK * 7.2e-3, rel=1e-6)
    assert [(c.number, c.how) for c in found.changed if c.how != "smaller"] == [("top", "gone"), ("bore", "shorter")]
    (bore,) = [c for c in found.changed if c.number == "bore"]
    assert bore.length == pytest.approx((HEIGHT, HEIGHT - 2.5))
    # Where the top lies doesn't matter: the plane goes with it. The bore's size does.
    assert {t.name: t.size for t in found.terms} == pytest.approx(
        {"block bore": 2.5 * 2 * np.pi * RADIUS * SIGMA}
        | {f"block {side}": 2.5 * (WIDTH if side in ("left", "right") else LENGTH) * SIGMA
           for side in ("left", "right", "front", "back")},
        rel=0.01,
    )  # fmt: skip
    assert (found.pieces, found.tunnels, found.hollows, found.sound) == ((1, 1), (1, 1), (0, 0), True)
    assert [(f.id, f.name, f.kind) for f in found.planned] == [("P1", "the cut", "plane")]
    assert found.planned[0].point[2] == pytest.approx(HEIGHT - 2.5)
    assert (found.after.body.surface.origin == PLANNED).sum() == (found.after.body.labels == 7).sum() > 0


def test_a_plane_that_is_nobodys_leaves_the_doubt_of_the_face(block: Placed) -> None:
    found = cut(block, facing={"face": "z", "leave": "0.5 in"})
    assert found.volume == pytest.approx((HEIGHT - 12.7) * BLOCK, rel=1e-6)
    assert {t.name: t.size for t in found.terms}["block top"] == pytest.approx(BLOCK * SIGMA, rel=0.01)


def test_a_counterbore_keeps_its_ring_and_the_rest_of_the_bore(block: Placed) -> None:
    found = cut(block, counterbore={"axis": "bore", "diameter": 22, "face": "top", "depth": 6}, name="step")
    assert found.volume == pytest.approx(np.pi * (11**2 - RADIUS**2) * 6, rel=2e-4)
    assert [(f.name, f.kind, f.side) for f in found.planned] == [
        ("step", "cylinder", "bore"),
        ("step floor", "plane", None),
    ]
    assert [(o.opens, set(o.on)) for o in found.openings] == [("goes in", {"top", "bore"})]
    assert found.sound
    assert not found.notes
    assert found.planned[0].extent.length == pytest.approx(6.0, abs=0.02)


def test_a_hole_that_comes_out_is_told_whether_it_was_meant_to(block: Placed) -> None:
    through = cut(block, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 8, "through": True})
    assert through.volume == pytest.approx(np.pi * 16 * HEIGHT, rel=1e-6)
    assert (through.tunnels, through.sound) == ((1, 2), True)
    assert sorted(o.opens for o in through.openings) == ["comes out", "goes in"]
    deep = cut(block, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 8, "depth": 20.001})
    assert (deep.tunnels, deep.sound) == ((1, 2), False)
    assert deep.notes[0].startswith("it comes out of the far side at [")
    assert "(bottom)" in deep.notes[0]
    blind = cut(block, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 8, "depth": 19.999})
    assert (blind.tunnels, blind.sound, blind.notes) == ((1, 1), True, ())


def test_a_hole_across_another_one_opens_into_it(block: Placed) -> None:
    found = cut(block, holes={"face": "right", "at": [[30, 0, 10]], "diameter": 6, "depth": 25})
    assert not found.sound
    assert [(o.opens, o.on) for o in found.openings] == [("comes out", ("bore",)), ("goes in", ("right",))]
    across = cut(block, holes={"face": "right", "at": [[30, 0, 10]], "diameter": 6, "to": "left"})
    assert sorted(o.opens for o in across.openings) == ["comes out", "comes out", "goes in", "goes in"]


def test_a_bore_that_bulges_out_of_a_side_is_told(block: Placed) -> None:
    found = cut(block, bore={"axis": "bore", "diameter": 40.5, "face": "top", "depth": 10})
    assert not found.sound
    assert any(o.opens == "runs out" for o in found.openings)
    assert "runs out of a side" in found.notes[0]


def test_two_pieces_are_told(block: Placed) -> None:
    found = cut(block, slot={"face": "top", "start": [15, -40, 20], "end": [15, 40, 20], "width": 4, "through": True})
    assert (found.pieces, found.sound) == ((1, 2), False)
    assert found.volume == pytest.approx(4 * WIDTH * HEIGHT, rel=1e-6)
    assert "in 2 pieces" in found.notes[-1]


def test_a_hollow_that_is_broken_into_is_told() -> None:
    part = standing(with_void(block_body(), 3.0, (20.0, 0.0, 10.0)))
    found = cut(part, holes={"face": "top", "at": [[20, 0, 20]], "diameter": 4, "depth": 8})
    assert found.hollows == (1, 0)
    assert found.volume == pytest.approx(np.pi * 4 * 7, rel=1e-6)
    assert not found.sound
    assert "a hollow that was closed all round" in found.notes[0]


def test_what_was_never_seen_is_told(block: Placed) -> None:
    body = block.body
    origin = np.where(body.labels == 0, NEVER_SEEN, body.surface.origin).astype(np.uint8)
    hidden = replace(
        body,
        surface=Surface(body.surface.vertices, body.surface.faces, origin),
        labels=np.where(body.labels == 0, -1, body.labels),
    )
    found = cut(standing(hidden), facing={"face": "bottom", "take": 2})
    assert (found.unsure, found.openings[0].unseen) == ("", 0.0)
    found = cut(standing(hidden), holes={"face": "bottom", "at": [[20, 0, 0]], "diameter": 8, "through": True})
    assert any("never scanned" in note for note in found.notes)
    assert "never scanned" in found.unsure


def test_slots_pockets_and_turnings_by_formula(block: Placed) -> None:
    slot = cut(block, slot={"face": "top", "start": [-25, 14, 20], "end": [25, 14, 20], "width": 8, "depth": 5})
    assert slot.volume == pytest.approx((50 * 8 + np.pi * 16) * 5, rel=1e-3)
    pocket = cut(
        block,
        pocket={"face": "right", "at": [30, 0, 10], "along": "y", "length": 20, "width": 10, "corner": 3, "depth": 4},
    )
    assert pocket.volume == pytest.approx((20 * 10 - (4 - np.pi) * 9) * 4, rel=1e-3)
    bar = turned_body("block", [(0, 40), (30, 40), (30, 60), (50, 60)], SIGMA)
    turned = cut(standing(bar), turning={"axis": "axis", "diameter": 50, "face": "end", "to": "start"})
    assert turned.volume == pytest.approx(np.pi / 4 * (60**2 - 50**2) * 20, rel=1e-6)
    assert [f.side for f in turned.planned if f.kind == "cylinder"] == ["boss"]
    assert turned.sound


def test_a_ring_of_holes_stands_where_it_is_told(block: Placed) -> None:
    found = cut(
        block,
        holes={
            "face": "top",
            "centre": "bore",
            "pitch_circle": "1 in",
            "count": 4,
            "start": 45,
            "diameter": 3,
            "depth": 5,
        },
    )
    assert found.volume == pytest.approx(4 * np.pi * 2.25 * 5, rel=1e-6)
    walls = [f for f in found.planned if f.kind == "cylinder"]
    assert np.linalg.norm(walls[0].point[:2] - 12.7 * np.sqrt(0.5)) < 1e-9
    assert walls[0].point[2] == pytest.approx(17.5, abs=0.01)
    assert len(found.planned) == 8


def test_only_what_stands_on_the_face_is_faced_off() -> None:
    bar = turned_body("block", [(0, 60), (20, 60), (20, 30), (40, 30)], SIGMA)
    with pytest.raises(SettingsError, match="takes nothing of block"):
        cut(standing(bar), facing={"face": "end", "leave": 5})
    found = cut(standing(bar), facing={"face": "start", "take": 3})
    assert found.volume == pytest.approx(np.pi * 900 * 3, rel=1e-6)
    # Two posts on a plate: the lower one is faced, the higher one, which stands apart, is not.
    plate = standing(block_body())
    post = cut(
        plate, pocket={"face": "top", "at": [0, 0, 20], "along": "y", "length": 60, "width": 30, "depth": 10}
    ).after
    low = cut(post, holes={"face": "top", "at": [[-22.5, 0, 20]], "diameter": 50, "depth": 2}, name="lower")
    shoulder = next(f.id for f in low.planned if f.kind == "plane")
    faced = cut(low.after, facing={"face": shoulder, "take": 1})
    assert faced.volume == pytest.approx(15 * 40 * 1, rel=1e-6)
    with_all = cut(low.after, facing={"face": shoulder, "take": 1, "all": True})
    assert with_all.volume == pytest.approx(15 * 40 * (1 + 3), rel=1e-6)


def test_later_questions_see_the_part_as_cut(block: Placed) -> None:
    found = cut(block, bore={"axis": "bore", "diameter": 20, "through": True}, name="new bore")
    rod = Placed(turned_body("rod", [(-10, 19.9), (30, 19.9)], SIGMA), placed([]))
    (fit,) = clearance(found.after, rod).fits
    assert fit.bore == ("block", "P1")
    assert fit.play == pytest.approx(0.1)
    # The new bore follows the old one's axis, and its size is as planned.
    assert fit.expanded == pytest.approx(4 * SIGMA)
    assert found.after.body.moves_of(found.after.body.index_of("P1")) == {}


def test_a_cut_follows_another_part_where_that_stands(block: Placed) -> None:
    there = rigid(np.eye(3), np.array([15.0, 0.0, 0.0]))
    rod = Placed(turned_body("rod", [(-10, 6), (30, 6)], SIGMA), placed([], there))
    item = item_on(block, {"rod": rod, "block": block}, "rod: axis", "axis")
    assert item.point == pytest.approx([15.0, 0.0, 10.0])


@pytest.mark.parametrize(
    ("question", "said"),
    [
        ({"bore": {"axis": "bore", "diameter": 10, "through": True}}, "takes nothing of block"),
        ({"facing": {"face": "z", "leave": 25}}, "takes nothing of block|lies below"),
        ({"facing": {"face": "top", "take": 20.5}}, "takes all of block"),
        ({"bore": {"axis": "H9", "diameter": 10, "through": True}}, "There is no feature 'H9'"),
        ({"bore": {"axis": "top", "diameter": 10, "through": True}}, "block: top is a face, where an axis is wanted"),
        ({"bore": {"axis": "bore", "diameter": 30, "face": "right", "depth": 5}}, "the axis lies along the face"),
        ({"bore": {"axis": "bore", "diameter": 30, "face": "bottom", "to": "bottom"}}, "lies before bottom"),
        ({"slot": {"face": "top", "start": [1, 2, 3], "end": [1, 2, 9], "width": 5, "depth": 5}}, "at one place"),
        ({"holes": {"face": "top", "at": ["scan: [1, 2, 3]"], "diameter": 5, "depth": 5}}, "in scan coordinates"),
    ],
)  # fmt: skip
def test_a_cut_that_makes_no_sense_is_refused_in_a_sentence(block: Placed, question: dict, said: str) -> None:
    with pytest.raises(SettingsError, match=said) as refused:
        cut(block, **question)
    assert str(refused.value).count("\n") == 0


def test_an_open_part_has_no_volume_to_cut(block: Placed) -> None:
    body = block.body
    torn = Surface.measured(body.surface.vertices, body.surface.faces[:-1])
    with pytest.raises(SettingsError, match="the part block is not closed all round"):
        cut(standing(replace(body, surface=torn, labels=body.labels[:-1])), facing={"face": "top", "take": 1})
