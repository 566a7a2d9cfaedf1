"""What is measured of a light mesh that changes and changes back, against distances known by construction."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.features.simplification import on_features
from pipeline.features.simplification.bounded_simplification import Proof
from pipeline.values import Surface


def test_what_comes_back_after_it_was_gone_is_as_far_off_as_it_was() -> None:
    """A square plate of facets of 1 mm, and two large facets that cover it, one with a corner 3 mm beyond its edge,
    where no vertex of the plate is: that one changes and changes back, and leaves and comes back."""
    first = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    plate = Surface.measured(
        [*np.ndindex(9, 9, 1)], np.vstack([first + np.array([0, 9, 10]), first + np.array([0, 10, 1])])
    )
    target = on_features(plate.vertices, plate.faces, np.full(plate.facets, -1, np.int32), (), 0.1)
    proof = Proof(plate, target, 0.3)
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    beyond = np.array([[0.0, 0, 0], [8, 0, 0], [8, 8, 0], [0, 11, 0]])
    light, flush = (
        SimpleNamespace(points=points, faces=faces, label=np.full(2, -1, np.int32), origin=np.zeros(2, np.uint8))
        for points in (beyond, beyond.clip(max=8.0))
    )
    whole, all_of_it = np.arange(2, dtype=np.int32), np.ones(2, np.bool_)
    proof.begin(2)
    for made, alive, off in (
        (light, whole, 3.0),
        (flush, whole, 0.0),
        (light, whole, 3.0),
        (light, whole, 3.0),
        (light, whole[:1], None),
        (light, whole, 3.0),
    ):
        worst = proof.measure(made, alive, all_of_it)
        if off is not None:
            assert worst == pytest.approx(off)
            assert proof.bad().tolist() == ([1] if off else [])
