"""Joints of a template that is larger than its printer's bed, by plain geometry: what is left about dowels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.fitup.made import on_bed
from pipeline.fitup.made.solids import Outline, Prism
from pipeline.fitup.made.split import joints_of
from pipeline.making import MakeQuestion

GUIDE = {"axis": "a: c", "face": "a: end", "drill": 5}
WISH = {"seat": "a: end", "locate": [{"pin": "a: b"}], "guide": [GUIDE]}
PLATE = Prism(Outline(((0.0, 0.0), (400.0, 0.0), (400.0, 70.0), (0.0, 70.0))), 2.0, 12.0)
WALL = 2.5


def question(bed: float) -> MakeQuestion:
    return MakeQuestion.model_validate({"name": "it", "template": WISH, "wall": WALL, "printing": {"bed": [bed, bed]}})


@pytest.mark.parametrize("seed", range(4))
def test_a_wall_is_left_about_dowels(seed: int) -> None:
    """To holes all about, to the plate's edges, to its top and bottom, to the dowels and faces of other joints."""
    rng = np.random.default_rng(seed)
    holes = [(float(x), float(y), 6.0 + WALL) for x, y in rng.uniform([20, 15], [380, 55], (12, 2))]
    joints = joints_of(question(160.0), PLATE, [(x, y, 3.0) for x, y, _ in holes], holes, 0.6)
    assert len(joints) >= 2
    long = 3.0 * joints[0].pin + 1.0
    half = 0.5 * (joints[0].pin + 0.05)
    shares = np.linspace(-long, long, 200)
    dowels = [(n, k, place + shares[:, None] * joint.way) for n, joint in enumerate(joints) for k, place in
              enumerate(joint.dowels)]  # fmt: skip
    assert 10.0 - 2.0 * half >= 2.0 * WALL
    for n, k, line in dowels:
        for x, y, r in holes:
            assert np.linalg.norm(line - [x, y], axis=1).min() >= r - WALL + half + WALL - 0.05
        assert line.min() >= half + WALL - 1e-9
        assert (line <= [400.0 - WALL, 70.0 - half - WALL + 1e-9]).all()
        for m, i, other in dowels:
            if (m, i) != (n, k):
                apart = math.sqrt(min(np.sum((line[:, None] - other[None]) ** 2, axis=2).ravel()))
                assert apart >= 2.0 * half + WALL - 1e-9 or m == n
        for m, joint in enumerate(joints):
            if m != n:
                assert np.abs(line @ joint.way - joint.at).min() >= WALL
    pieces = [joints[0].before, *(joint.beyond for joint in joints)]
    assert all(on_bed(piece, (160.0, 160.0)) is None for piece in pieces)


def test_a_plate_full_of_holes_is_refused() -> None:
    holes = [(x, y, 8.0) for x in range(5, 200, 12) for y in (10.0, 25.0, 40.0, 55.0)]
    half = Prism(Outline(((0.0, 0.0), (200.0, 0.0), (200.0, 70.0), (0.0, 70.0))), 2.0, 12.0)
    with pytest.raises(SettingsError, match="no straight joint"):
        joints_of(question(120.0), half, [], holes, 0.6)
