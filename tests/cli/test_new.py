"""datumlift new: the job file it writes can be run as it is, and says what was seen."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner

from pipeline.cli.new import command
from pipeline.errors import InputError
from pipeline.formats.datum_file import build, read_datums, text_of
from pipeline.formats.datum_file.records import FrameChoice, ProposalRecord
from pipeline.job import Zone, load_job, make_job
from tests.outcomes import outcome


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


def test_further_scans_are_named_as_set_ups(scan: Path) -> None:
    others = [scan.with_name("side two.stl"), scan.with_name("three.xyz")]
    for other in others:
        other.write_text("0 0 0\n")
    done = CliRunner().invoke(command, [str(scan), *map(str, others)])
    assert done.exit_code == 0, done.output
    assert [one.scan for one in load_job(scan.with_suffix(".toml")).set_up] == others


@pytest.mark.parametrize(
    ("further", "told"),
    [
        ("none.stl", "There is no file"),
        ("loop.stl", "can't be read"),
        ("x" * 300 + ".stl", "can't be read"),
        (".", "a folder"),
        ("empty.stl", "is empty"),
        ("notes.txt", "an extension that is not known"),
    ],
)
def test_further_scans_that_are_none_are_told_before_anything_is_written(scan: Path, further: str, told: str) -> None:
    scan.with_name("loop.stl").symlink_to("loop.stl")
    scan.with_name("empty.stl").touch()
    scan.with_name("notes.txt").write_text("1 2 3\n")
    with pytest.raises(InputError, match=told):
        CliRunner().invoke(command, [str(scan), str(scan.parent / further)], catch_exceptions=False)
    assert not scan.with_suffix(".toml").exists()


def test_reference_balls_are_offered_where_there_are_set_ups(scan: Path) -> None:
    scan.with_name("side two.stl").write_text("solid\n")
    CliRunner().invoke(command, [str(scan), str(scan.with_name("side two.stl"))])
    path = scan.with_suffix(".toml")
    before, after = path.read_text().split("# [[ball]]")
    table, rest = after.split("\n\n", 1)
    lines = [line.removeprefix("# ") for line in table.split("\n")]
    path.write_text("\n".join([before, "[[ball]]", *lines, rest]))
    (ball,) = load_job(path).ball
    assert (ball.diameter.mm, ball.count) == (20.0, 4)
    CliRunner().invoke(command, [str(scan), "--job", str(scan.with_name("one.toml"))])
    assert "ball" not in scan.with_name("one.toml").read_text()


def test_no_name_is_no_scan() -> None:
    done = CliRunner().invoke(command, [""])
    assert done.exit_code == 2
    assert "an empty name is no file" in done.output


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
    assert job.measured[0].value.mm > 0
    assert job.names
    assert job.frame.A
    assert job.lighten.tolerance
    assert job.audit.max_deviation


def _settings_of(path: Path) -> Path:
    """The job file with every setting that stands in it as a comment taken up."""
    lines = [line.removeprefix("# ") for line in path.read_text().splitlines()]
    kept = [line for line in lines if line.startswith(("[", '"')) or line.split(" =")[0].isidentifier()]
    made = path.with_name("all.toml")
    made.write_text("\n".join(kept))
    return made


@pytest.fixture
def run_before(scan: Path) -> Path:
    """The scan with a datum file beside it as a run leaves it: of a plate, made up, but of this scan by its digest."""
    known = build(outcome())
    here = known.source.model_copy(update={"sha256": hashlib.sha256(scan.read_bytes()).hexdigest()})
    best = FrameChoice(datums={"A": "plane-2", "B": "cylinder-1"}, complete=True, error=0.002)
    frame = known.frame.model_copy(update={"error": 0.1, "others": (best,)})
    zone = Zone(shape="sphere", centre=(1.0, 2.0, 3.0), radius=4.0)
    plug = ProposalRecord(what="plug", centre=(1.0, 2.0, 3.0), area=12.0, reason="it is rough", zone=zone)
    folder = scan.with_suffix("")
    folder.mkdir()
    (folder / "datums.json").write_text(
        text_of(known.model_copy(update={"source": here, "frame": frame, "proposals": (plug,)}))
    )
    return folder


def test_after_a_run_what_it_found_is_filled_in(scan: Path, run_before: Path) -> None:
    done = CliRunner().invoke(command, [str(scan)])
    assert done.exit_code == 0, done.output
    assert "with what the last run found" in done.output
    assert done.output.splitlines()[-1].startswith("next     edit it, then: datumlift run ")
    known, job = read_datums(run_before / "datums.json"), load_job(scan.with_suffix(".toml"))
    # The frame is held as it was, and so are the names that there were; all else is to be decided.
    assert [d.feature for d in known.frame.datums] == [job.frame.A, job.frame.B, job.frame.C]
    assert job.names == {f.id: f.name for f in known.features if f.name}
    assert not job.fill.gaps
    assert not job.clean.exclude
    text = scan.with_suffix(".toml").read_text()
    for feature in known.features:
        assert (f'"{feature.id}"' in text) == (feature.confidence == "good")
    assert "that of the last run: puts 100 um" in text
    assert "the best that the part offers: puts 2 um" in text
    assert '# A = "plane-2"' in text


def test_every_choice_after_a_run_is_one_that_can_be_taken(scan: Path, run_before: Path) -> None:
    CliRunner().invoke(command, [str(scan)])
    known, path = read_datums(run_before / "datums.json"), scan.with_suffix(".toml")
    # The two frames are either this or that.
    kept, _, other = path.read_text().partition("# Another choice")
    path.write_text(kept + other[other.index("[lighten]") :])
    job = load_job(_settings_of(path))
    assert [choice.id for choice in job.fill.gaps] == [gap.id for gap in known.gaps]
    assert [choice.do for choice in job.fill.gaps] == ["leave" if g.done == "closed" else "cap" for g in known.gaps]
    assert list(job.clean.exclude) == [proposal.zone for proposal in known.proposals]
    assert job.measured[0].features[0] in {f.id for f in known.features}


def test_a_run_of_another_scan_is_not_taken_for_this_one_s(scan: Path, run_before: Path) -> None:
    path = run_before / "datums.json"
    path.write_text(path.read_text().replace('"sha256": "', '"sha256": "0'))
    done = CliRunner().invoke(command, [str(scan)])
    assert done.exit_code == 0
    assert "with what the last run found" not in done.output
    scan.with_suffix(".toml").unlink()
    with pytest.raises(InputError, match="of another scan"):
        CliRunner().invoke(command, [str(scan), "--out", str(run_before)], catch_exceptions=False)
    assert not scan.with_suffix(".toml").exists()


def test_an_output_folder_elsewhere_is_named_in_the_job(scan: Path, run_before: Path) -> None:
    elsewhere = run_before.rename(scan.with_name("else where"))
    done = CliRunner().invoke(command, [str(scan), "--out", str(elsewhere)], catch_exceptions=False)
    assert "with what the last run found" in done.output
    assert load_job(scan.with_suffix(".toml")).out == elsewhere
