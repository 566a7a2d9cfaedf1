"""A planned bore against one that was made wider: the difference is that of diameters.

Covers: pipeline.fitup.rescan.against_plan
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.joining import joined_by_features
from pipeline.fitup.rescan.against_plan import _held
from tests.fitup.bodies import block_body, cut, standing


@pytest.mark.parametrize("wider", [0.1, -0.1])
def test_a_bore_that_is_wider_is_so_by_its_diameter(wider: float) -> None:
    made = cut(standing(block_body()), bore={"axis": "bore", "diameter": 20.0, "through": True})
    plan = made.after.body
    (planned,) = made.planned
    assert planned.radius == pytest.approx(10.0)
    bored = [replace(f, radius=f.radius + wider / 2) if f.id == planned.id else f for f in plan.features]
    rescan = replace(plan, features=tuple(bored), planned={})
    flat = [(k, k) for k, f in enumerate(plan.features) if f.kind == "plane"]
    joined = joined_by_features(plan.features, rescan.features, flat, np.eye(4))
    assert joined is not None
    ((face, _),) = _held(plan, rescan, joined)
    assert (face.number, face.found) == (planned.id, planned.id)
    assert face.size == pytest.approx(wider, abs=1e-9)
