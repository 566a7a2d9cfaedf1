"""datumlift new: the job file it writes can be run as it is, and says what was seen."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner

from pipeline.cli.new import command
from pipeline.job import load_job, make_job


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=40.0)
    ball.update_faces(np.arange(len(ball.faces)) > 5)
    path = tmp_path / "a scan with spaces.stl"
    path.write_bytes(ball.export(file_type="stl"))
    return path


def test_what_was_seen_stands_in_the_job_file_and_the_file_is_valid(scan: Path) -> None:
    done = CliRunner().invoke(command, [str(scan)])
    assert done.exit_code == 0, done.output
    path = scan.with_suffix(".toml")
    text = path.read_text()
    assert "5,114 facets" in text
    assert "80.00 x 80.00 x 80.00 mm" in text
    assert "1 gap or border" in text
    job = load_job(path)
    assert job.scan == scan
    assert job.lighten == make_job({"scan": "a"}).lighten


def test_every_setting_that_is_shown_as_a_comment_is_one_that_exists(scan: Path) -> None:
    CliRunner().invoke(command, [str(scan)])
    lines = scan.with_suffix(".toml").read_text().splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("scan ="))
    uncommented = [line.removeprefix("# ") if "=" in line or "[" in line else line for line in lines[start:]]
    kept = [line for line in uncommented if line.startswith("[") or ("=" in line and not line.startswith("#"))]
    kept = [line for line in kept if line.split(" =")[0].isidentifier() or line.startswith(("[", '"'))]
    path = scan.with_name("all.toml")
    path.write_text("\n".join(kept))
    job = load_job(path)
    assert job.clean.exclude[0].shape == "sphere"
    assert job.caliper[0].diameter > 0
    assert job.names
    assert job.frame.A
    assert job.lighten.tolerance
    assert job.audit.max_deviation
