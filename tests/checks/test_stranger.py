"""A script that has nothing but datums.json and its schema finds the main bore and drills down it.

The truth it is held against is the plate's own design (tests/outcomes.py): the bore's axis is the part's z axis.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.outcomes import BORE, CHAMFER, HEIGHT, POSE, outcome, written

SCRIPT = Path(__file__).with_name("stranger_script.py")
MICROMETRE = 1e-3


def far_pose() -> np.ndarray:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_euler("xyz", [200, -75, 33], degrees=True).as_matrix()
    pose[:3, 3] = (4000.0, -2500.0, 900.0)
    return pose


@pytest.mark.parametrize("pose", [POSE, far_pose(), np.eye(4)], ids=["posed", "far off", "as it lies"])
def test_the_pilot_hole_runs_down_the_bore_within_a_micrometre(tmp_path: Path, pose: np.ndarray) -> None:
    settings = {"step": "none", "dxf": False, "report": False}
    written(outcome(tmp_path / "plate.stl", pose, export=settings), tmp_path / "out")
    # The datum file alone, in a place of its own, and an interpreter that can't see the package.
    alone = tmp_path / "alone"
    alone.mkdir()
    (alone / "datums.json").write_bytes((tmp_path / "out" / "datums.json").read_bytes())
    done = subprocess.run(
        [sys.executable, "-I", "-S", str(SCRIPT), "datums.json", "6.0"],
        cwd=alone,
        capture_output=True,
        text=True,
        check=True,
    )
    hole = json.loads(done.stdout)
    assert hole["bore"] == "cylinder-1"
    low, high = sorted(np.array(hole["mouths"]), key=lambda p: p[2])
    for mouth in (low, high):
        assert np.hypot(mouth[0], mouth[1]) < MICROMETRE
    assert low[2] == pytest.approx(0.0, abs=MICROMETRE)
    assert high[2] == pytest.approx(HEIGHT - CHAMFER, abs=MICROMETRE)
    assert hole["radius"] == 3.0
    assert hole["room"] == pytest.approx(BORE - 3.0, abs=MICROMETRE)


def test_the_script_is_short_and_knows_only_the_standard_library() -> None:
    lines = [line for line in SCRIPT.read_text().splitlines() if line.strip()]
    assert len(lines) <= 30
    assert "pipeline" not in SCRIPT.read_text()
