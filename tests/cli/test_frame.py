"""What `datumlift frame` prints."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from pipeline.cli.frame import flange_lines, frame_lines, square_lines
from pipeline.job import FrameSettings
from pipeline.lengths import in_unit
from pipeline.stages.frame import frame
from pipeline.values import FillResult, Flange, HolePattern
from pipeline.values.surface import Surface
from tests.features.made import block, recovered


def made(features, **settings):
    empty = FillResult(Surface.measured(np.zeros((3, 3)), np.array([[0, 1, 2]])), np.array([-1], np.int32), ())
    return SimpleNamespace(frame_result=frame(recovered(features), empty, FrameSettings(**settings), {}))


def test_the_frame_and_what_others_would_move() -> None:
    text = "\n".join(frame_lines(made(block(), A="top", B="main", C="left")))
    assert "A  top" in text
    assert "constrains shift along z, turns about x and y" in text
    assert "origin known to (k=1): x " in text
    assert "Other choices, and what they would move" in text
    assert "deg" in text
    assert 'A = "top", B = ' in text


def test_an_incomplete_frame_says_so() -> None:
    only = [f for f in block() if f.id == "main"]
    text = "\n".join(frame_lines(made(only)))
    assert "(incomplete)" in text
    assert "its uncertainty is not known" in text
    assert "caution" in text


def test_square_up_figures_have_intervals() -> None:
    lines = square_lines(made(block(), A="top", B="main", C="left"))
    wall = next(line for line in lines if line.startswith("  front") and "to A" in line)
    assert "perpendicularity" in wall
    assert "+-" in wall
    assert "um over" in in_unit(wall, "mm")


def test_flanges_name_what_is_missing() -> None:
    ring = HolePattern("pitch_circle", ("a", "b", "c"), np.zeros(2), 0.004, 60.0, 4, 1, 0.1, None, np.zeros((1, 2)))
    result = SimpleNamespace(
        frame_result=SimpleNamespace(flanges=(Flange("face", np.eye(4), "the middle", None, (), (), (ring,)),))
    )
    text = "\n".join(flange_lines(result))
    assert "D60.000 mm, 4 places, 1 missing, rms 4 um" in in_unit(text, "mm")
