"""The budget looks at both directions, at both signs, and at degrees: figures by hand.

Covers: pipeline.stages.audit
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.simplification import Distances
from pipeline.job import AuditSettings
from pipeline.stages.audit import conclude
from pipeline.values import Audit, Deviation, FeatureAudit, Source, Surface
from tests.features.made import bore

LIGHT = Surface.measured([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
SOURCE = Source("a.stl", "0", 1, 3, "mm", 1.0, 0.01, 0.5, ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)))


def judged(forth: float, back: float, change: FeatureAudit, **budget: float) -> Audit:
    one = Deviation(0.0, 0.0, 0.0, 0.0, forth, np.zeros(3), 10)
    other = replace(one, max=back, where=np.ones(3))
    apart = Distances(one, other, (one, other), np.zeros(1), np.zeros(3, np.float32))
    return conclude(
        (bore("H1", (0, 0, 0), (0, 0, 1), 10.0),), [change], apart, AuditSettings(**budget), SOURCE,
        facets_before=1, light=LIGHT, area_measured=1.0, area_filled=0.0, area_removed=0.0,
    )  # fmt: skip


@pytest.mark.parametrize(("forth", "back"), [(0.2, 0.01), (0.01, 0.2)])
def test_the_larger_of_both_ways_is_held_against_the_budget(forth: float, back: float) -> None:
    none = FeatureAudit("H1", 0.0, 0.0, 0.0, 10)
    (line,) = judged(forth, back, none, max_deviation=0.1).budget
    assert (line.value, line.held) == (0.2, False)
    assert judged(forth, back, none, max_deviation=0.25).within_budget


@pytest.mark.parametrize("change", [0.05, -0.05])
def test_a_bore_that_shrank_is_over_the_budget_as_one_that_grew(change: float) -> None:
    found = judged(0.0, 0.0, FeatureAudit("H1", 0.0, 0.0, change, 10), max_radius_change=0.02)
    assert not found.within_budget
    assert found.features[0].verdict == "over budget"


def test_a_tilt_is_asked_for_in_degrees() -> None:
    tilted = FeatureAudit("H1", 0.0, float(np.radians(0.2)), 0.0, 10)
    assert not judged(0.0, 0.0, tilted, max_tilt=0.1).within_budget
    assert judged(0.0, 0.0, tilted, max_tilt=0.3).within_budget
