"""What is behind a flange: a plate of known thickness, seen whole, from one side only, and with a lid on its holes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.sketches import flanges_of, prepare
from pipeline.values import Flange
from pipeline.values.surface import FILLED
from tests.outcomes import HEIGHT, outcome

MADE = outcome()


def top_of(hidden: np.ndarray | None = None, filled: np.ndarray | None = None) -> Flange:
    """The plate's top: 120 x 80, HEIGHT thick, a bore D40 in its middle and six holes D9 on a pitch circle D62."""
    surface, labels = MADE.lighten.surface, MADE.lighten.labels
    keep = np.ones(surface.facets, bool) if hidden is None else ~hidden
    origin = surface.origin.copy()
    if filled is not None:
        origin[filled] = FILLED
    surface = replace(surface, faces=surface.faces[keep], origin=origin[keep])
    ground = prepare(surface, labels[keep], MADE.recover.features, 0.001)
    return next(f for f in flanges_of(ground, MADE.frame.frame.matrix) if f.feature == "plane-1")


def of(name: str) -> np.ndarray:
    index = [f.id for f in MADE.recover.features].index(name)
    return MADE.lighten.labels == index


def test_thickness_and_edges_of_a_plate() -> None:
    top = top_of()
    found = top.thickness
    assert found is not None
    assert (found.least, found.middle, found.most) == pytest.approx((HEIGHT,) * 3, abs=1e-4)
    assert found.back == "plane-2"
    small = [hole for hole in top.holes if hole.diameter == pytest.approx(9.0)]
    assert len(small) == 5  # the sixth is of low confidence
    # By hand: the hole at 0 deg lies 60 - 31 from the short side, those at 60 deg 40 - 31 sin 60 from the long one.
    near = {round(29.0, 6), round(40 - 31 * math.sin(math.pi / 3), 6)}
    for hole in small:
        assert hole.end == "through"
        assert hole.thickness == pytest.approx(HEIGHT, abs=1e-4)
        assert round(hole.edge or 0.0, 6) in near


def test_nothing_is_said_of_a_back_that_was_not_seen_or_was_filled() -> None:
    for top in (top_of(hidden=of("plane-2")), top_of(filled=of("plane-2"))):
        assert top.thickness is None
        assert all(hole.thickness is None for hole in top.holes)
