"""Flange drawings of three housings that nothing was adjusted to, read by ezdxf and held against the exact design.

Holes, spigots and openings are those of the truth, the hole table's figures the datum file's to the digit printed, the
thickness within 0.1 mm where the back was seen; see `tests/drawn.py`. The demo part's own are in `tests/test_demo.py`.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import pipeline
from pipeline.formats.meshes_out import write_stl
from sample_meshes.design import Design
from tests.drawn import hold
from tests.scans import demo_scan

HELD_OUT = (781, 782, 783)


@pytest.mark.slow
@pytest.mark.parametrize("design", HELD_OUT)
def test_flange_drawings_of_a_housing_never_seen(design: int, tmp_path: Path) -> None:
    scan = demo_scan(150_000, design, design)
    write_stl(tmp_path / "housing.stl", scan.vertices, scan.faces, "mm")
    pipeline.run(tmp_path / "housing.stl", out=tmp_path / "out")
    truth = json.loads(json.dumps(scan.truth, default=lambda array: array.tolist()))
    drawn = hold(tmp_path / "out", truth, Design.varied(design), scan.vertices)
    assert {"flange face", "foot bottom"} <= set(drawn)
