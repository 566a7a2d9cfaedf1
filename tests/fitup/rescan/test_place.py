"""Where a rescan lies on the plan of a part that was scanned before its cuts: by features and skin.

Covers: pipeline.fitup.rescan.place

Truth is the exact solid that both scans were made of (`tests.rescanned`), and where each was laid.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline import run
from pipeline.errors import InputError
from pipeline.fitup.rescan.place import place
from pipeline.formats.parts_in import body_of_run
from pipeline.geometry import small_motion
from pipeline.job import make_job
from pipeline.layout import load_layout
from pipeline.questions import check_rescan
from pipeline.questions.rescan import Checked
from tests.rescanned import block, cut_block, layout, write_scan


def ran(path: Path) -> np.ndarray:
    run(make_job({"scan": path, "export": {"report": False}}), out=path.with_suffix(""))
    return np.array(json.loads((path.with_suffix("") / "datums.json").read_text())["frame"]["matrix"])


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("place")


@pytest.fixture(scope="module")
def held(here: Path) -> tuple[Checked, np.ndarray]:
    """What was found, and the (4, 4) by which the rescan's coordinates truly lie in the plan's."""
    placed = write_scan(here / "block.stl", block(), 1.5, 71)
    to_plan = ran(here / "block.stl") @ placed
    (here / "plan.toml").write_text(layout('run = "block"', to_plan))
    placed = write_scan(here / "made.stl", cut_block(top=0.15), 1.5, 72)
    to_rescan = ran(here / "made.stl") @ placed
    read = load_layout(here / "plan.toml")
    found = check_rescan(read, "plan.toml", "block", body_of_run("rescan", here / "made"))
    return found, to_plan @ np.linalg.inv(to_rescan)


def test_the_rescan_lies_where_it_does_within_what_is_said(held: tuple[Checked, np.ndarray]) -> None:
    found, true = held
    lies = found.plan.joined
    off = small_motion(lies.motion @ np.linalg.inv(true))
    # The turn is held about the part's middle, which is the origin to within a few mm of the frame's.
    assert off @ np.linalg.solve(lies.covariance, off) < chi2.ppf(0.999, 6)
    assert np.sqrt(np.diag(lies.covariance)[3:]).max() * 60.0 < 0.03
    assert len(found.plan.by) >= 5


def test_a_planned_face_has_no_part_in_it_and_is_told(held: tuple[Checked, np.ndarray]) -> None:
    found, _ = held
    faces = {face.name: face for face in found.plan.faces}
    assert faces["top"].off == pytest.approx(0.15, abs=1.5 * faces["top"].expanded[0])
    assert [name for name, face in faces.items() if face.verdict != "as planned"] == ["top"]
    assert found.plan.moved == ()
    assert not {face.number for face in found.plan.faces} & set(found.plan.by)


def test_without_a_scan_of_the_part_before_features_alone_are_asked(
    here: Path, held: tuple[Checked, np.ndarray]
) -> None:
    """A drawing's skin says nothing: of no features nothing is left."""
    whole = body_of_run("rescan", here / "made")
    drawn = replace(whole, scale=None)
    assert np.allclose(place(drawn, whole).motion, np.eye(4), atol=1e-6)
    bare = replace(whole, features=(), labels=np.full_like(whole.labels, -1))
    with pytest.raises(InputError, match="doesn't lie on the part in any way"):
        place(bare, whole)
