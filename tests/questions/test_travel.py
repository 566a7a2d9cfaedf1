"""A travel is asked and told in degrees where it is a turn.

Covers: pipeline.questions.travel, pipeline.formats.fit_file.travel
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.fitup import Placed, placed, turned_body
from pipeline.formats.fit_file import travel_record
from pipeline.geometry import rigid
from pipeline.layout import TravelQuestion
from pipeline.progress import silent
from pipeline.questions.travel import KIND


@pytest.mark.parametrize(("at_least", "verdict"), [(85.0, "far enough"), (None, "told")])
def test_a_quarter_turn_is_ninety_degrees(at_least: float | None, verdict: str) -> None:
    rod, post = (turned_body(name, [(0, 20), (50, 20)], 0.01) for name in ("rod", "post"))
    far = rigid(np.eye(3), np.array([100.0, 0.0, 0.0]))
    parts = {"rod": Placed(rod, placed([])), "post": Placed(post, placed([], far))}
    question = TravelQuestion(move="rod", about="rod: axis", up_to=90, at_least=at_least)
    found = KIND.answer(question, parts, silent)
    (run,) = found.runs
    assert (run.verdict, run.run) == (verdict, pytest.approx(np.pi / 2))
    (told,) = travel_record(question, found).runs
    assert (told.run, told.sure) == pytest.approx((90.0, 90.0))
