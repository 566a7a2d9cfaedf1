"""Cuts of a solid by the CAD kernel: volumes by formula (any formulary), names carried through, written and read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import GeometryError
from pipeline.features.solid import model_of
from pipeline.formats.solid.build import built
from pipeline.formats.solid.cuts import NamedBody, cut_away, facing_tool, read_solid, round_tool, write_solid
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


def test_a_counterbore_takes_its_ring_and_keeps_the_names(block: NamedBody, tmp_path: Path) -> None:
    deep, wide = 6.0, RADIUS + 3.0
    tool = round_tool(np.array([0.0, 0.0, HEIGHT - deep]), UP, wide, deep + 1.0)
    cut, verdict = cut_away(block, tool, "counterbore")
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
    cut, _ = cut_away(block, facing_tool(np.array([0.0, 0.0, HEIGHT - 2.5]), UP, 100.0, 10.0), "faced")
    assert cut.volume == pytest.approx(block.volume * (1 - 2.5 / HEIGHT), rel=1e-9)
    assert sorted(named.name for named in cut.faces) == sorted(["faced", *WORDS[1:]])


def test_a_cut_that_leaves_nothing_is_told(block: NamedBody) -> None:
    with pytest.raises(GeometryError, match="The cut all"):
        cut_away(block, facing_tool(np.array([0.0, 0.0, -1.0]), UP, 100.0, 50.0), "all")
