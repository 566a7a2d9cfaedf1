"""The recipes of DEVELOPERS.md, each followed to the letter in a scratch copy of the project."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import trimesh

from tests.scratch import follow, recipe, run, scratch_copy


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One copy for the recipes that touch no kernel: they must get along with each other, too."""
    return scratch_copy(tmp_path_factory.mktemp("scratch"))


def held(root: Path) -> None:
    """The house's rules hold in the copy as well."""
    done = run(root, "python -m pytest tests/test_imports.py")
    assert done.returncode == 0, done.stdout


def test_a_command_with_two_inputs(root: Path) -> None:
    trimesh.creation.box((1.0, 2.0, 3.0)).export(root / "first.stl")
    trimesh.creation.box((1.0, 1.0, 1.0)).export(root / "second.stl")
    good, bad = follow(root, recipe("A command with two inputs"))
    assert good.returncode == 0, good.stderr
    assert [float(word) for word in good.stdout.split()] == [22.0, 6.0, 16.0]
    assert bad.returncode == 2
    assert len(bad.stderr.strip().splitlines()) == 1
    assert "missing.stl" in bad.stderr
    assert "area" in run(root, "datumlift --help").stdout
    held(root)


def test_an_output_file(root: Path) -> None:
    (done,) = follow(root, recipe("An output file"))
    assert done.returncode == 0, done.stderr
    out = root / "listed" / "bearing_housing_scan"
    data = json.loads((out / "datums.json").read_text(encoding="utf-8"))
    assert "cautions.txt" in data["files"]
    assert (out / "cautions.txt").read_text(encoding="utf-8").splitlines() == data["cautions"]
    held(root)


def test_a_stage(root: Path) -> None:
    made, mass = follow(root, recipe("A stage"))
    assert made.returncode == 0, made.stderr
    assert [stage["name"] for stage in json.loads(made.stdout)["stages"]][-2:] == ["weigh", "export"]
    light = trimesh.load(root / "weighed" / "bearing_housing_scan" / "light-scan.ply")
    # trimesh's own integral of the volume, as an outside reference; the PLY holds single precision
    assert float(mass.stdout) == pytest.approx(light.volume * 7.2e-6, rel=1e-4)
    assert "density = 7.2" in (root / "weighed" / "bearing_housing_scan" / "job.toml").read_text(encoding="utf-8")
    held(root)
