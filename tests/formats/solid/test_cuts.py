"""Cuts of a solid by the CAD kernel: volumes by formula (any formulary), names carried through, written and read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import GeometryError
from pipeline.features.solid import model_of
from pipeline.fitup import Stroke
from pipeline.formats.solid.build import built
from pipeline.formats.solid.cuts import NamedBody, cut_away, read_solid, write_solid
from pipeline.formats.solid.document import Named
from pipeline.progress import silent
from tests.pierced_block import HEIGHT, LENGTH, RADIUS, SHAPES, WIDTH, pierced_block

UP = np.array([0.0, 0.0, 1.0])
COLOURS = {"H1 seat": (66, 120, 200)}
WORDS = ("top", "bottom", "H1 seat", "side", "side", "side", "side")


@pytest.fixture(scope="module")
def block() -> NamedBody:
    surface, labels = pierced_block()
    model = model_of(surface, labels, SHAPES, 0.2, 0.0, silent)
    body = built(model.outline, model.closed)
    features = model.outline.faces.feature
    return NamedBody(
        body.shape,
        tuple(Named(face, WORDS[features[n]], COLOURS.get(WORDS[features[n]])) for n, face in body.faces.items()),
    )


def all_above(height: float, reach: float) -> Stroke:
    return Stroke(
        "block", np.array([0.0, 0.0, height]), UP, reach, half=(100.0, 100.0), across=np.array([1.0, 0.0, 0.0])
    )


def test_a_counterbore_takes_its_ring_and_keeps_the_names(block: NamedBody, tmp_path: Path) -> None:
    deep, wide = 6.0, RADIUS + 3.0
    stroke = Stroke("round", np.array([0.0, 0.0, HEIGHT - deep]), UP, deep + 1.0, wide)
    cut, verdict = cut_away(block, stroke, "counterbore")
    taken = np.pi * (wide**2 - RADIUS**2) * deep
    assert block.volume - cut.volume == pytest.approx(taken, rel=1e-9)
    assert verdict.free_edges == 0
    # Its wall and its floor.
    names = sorted(named.name for named in cut.faces)
    assert names == sorted([*WORDS, "counterbore", "counterbore"])
    write_solid(tmp_path / "cut.step", cut, "housing-cut", "test")
    again = read_solid(tmp_path / "cut.step")
    assert sorted(named.name for named in again.faces) == names
    assert {named.colour for named in again.faces if named.name == "H1 seat"} == {COLOURS["H1 seat"]}
    assert {named.colour for named in again.faces if named.name == "side"} == {None}
    assert again.volume == pytest.approx(LENGTH * WIDTH * HEIGHT - np.pi * RADIUS**2 * HEIGHT - taken, rel=1e-9)


def test_a_facing_takes_a_slice(block: NamedBody) -> None:
    cut, _ = cut_away(block, all_above(HEIGHT - 2.5, 10.0), "faced")
    assert cut.volume == pytest.approx(block.volume * (1 - 2.5 / HEIGHT), rel=1e-9)
    assert sorted(named.name for named in cut.faces) == sorted(["faced", *WORDS[1:]])


def test_a_cut_that_leaves_nothing_is_told(block: NamedBody) -> None:
    with pytest.raises(GeometryError, match="The cut all"):
        cut_away(block, all_above(-1.0, 50.0), "all")


@pytest.mark.parametrize("degrees", [0.0, 0.003, 0.02, 0.05])
@pytest.mark.parametrize(("wide", "beside"), [(6.4, 8.0), (8.24, 0.54), (10.4, 8.0), (14.4, 8.0)])
def test_a_tool_nearly_along_a_bore_takes_what_it_should(
    block: NamedBody, degrees: float, wide: float, beside: float
) -> None:
    """Of two cylinders nearly along each other the kernel at first loses the crossing, without a word: its curve is
    millimetres off, its checker content. Volume by an integral over the height: the tool's disc less the lens that it
    has in common with the bore's (any formulary)."""
    lean = np.radians(degrees)
    way = np.array([np.sin(lean), 0.0, np.cos(lean)])
    start = np.array([beside, 0.0, 0.0]) - 5.0 * way
    heights = (np.arange(2000) + 0.5) / 2000 * HEIGHT
    apart = beside + heights * np.tan(lean)
    one = np.arccos((apart**2 + wide**2 - RADIUS**2) / (2 * apart * wide))
    other = np.arccos((apart**2 + RADIUS**2 - wide**2) / (2 * apart * RADIUS))
    lens = wide**2 * (one - np.sin(2 * one) / 2) + RADIUS**2 * (other - np.sin(2 * other) / 2)
    taken = float(np.mean(np.pi * wide**2 - lens)) * HEIGHT
    cut, verdict = cut_away(block, Stroke("round", start, way, HEIGHT + 20.0, wide), "leaning")
    assert block.volume - cut.volume == pytest.approx(taken, rel=1e-3)
    assert verdict.tolerance < 0.01
