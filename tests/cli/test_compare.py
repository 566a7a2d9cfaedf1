"""datumlift compare on a small part, from the command line on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from pipeline.cli.compare import command
from pipeline.errors import InputError
from pipeline.formats.datum_file import schema_text


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A drum D50 x 60 as a dense scan, and the same 0.05 mm larger in diameter."""
    folder = tmp_path_factory.mktemp("pair")
    from tests.mesh.simplify.test_edge_collapse import _drum

    vertices, faces, labels = _drum(25.0, 60.0, 180, 80)
    scan, light = folder / "scan.stl", folder / "light.stl"
    trimesh.Trimesh(vertices, faces, process=False).export(scan)
    vertices[np.unique(faces[labels == 0]), :2] *= 25.025 / 25.0
    trimesh.Trimesh(vertices, faces, process=False).export(light)
    return scan, light


def test_a_grown_drum_breaks_the_budget(pair: tuple[Path, Path]) -> None:
    scan, light = map(str, pair)
    done = CliRunner().invoke(
        command, [scan, light, "--max-radius-change", "0.01", "--json"], standalone_mode=False, catch_exceptions=False
    )
    assert done.return_value == 3
    found = json.loads(done.stdout)
    assert not found["within_budget"]
    broken = [line for line in found["budget"] if not line["held"]]
    assert len(broken) == 1
    assert broken[0]["value"] == pytest.approx(0.025, abs=1e-3)
    assert found["scan_to_light"]["max"] == pytest.approx(0.025, abs=2e-3)
    # The same words as in the datum file; there is no part frame here.
    schema = json.loads(schema_text())
    Draft202012Validator({"$ref": "#/$defs/AuditRecord", "$defs": schema["$defs"]}).validate(found)
    feature_audit = Draft202012Validator({"$ref": "#/$defs/FeatureAuditRecord", "$defs": schema["$defs"]})
    assert len(found["features"]) >= 3
    for feature in found["features"]:
        feature_audit.validate(feature)
        assert feature["id"]
    assert "in_part_frame" not in found["scan_to_light"]
    assert "second_opinion" not in found
    np.testing.assert_allclose(found["motion"], np.eye(4), atol=1e-12)


def test_a_second_opinion_is_given_where_it_is_asked_for(pair: tuple[Path, Path]) -> None:
    """Grown by 0.025 mm in radius, its flat ends left where they are; the first run above has no such key."""
    scan, light = map(str, pair)
    asked = [scan, light, "--second-opinion"]
    runs = [
        CliRunner().invoke(command, [*asked, option], standalone_mode=False, catch_exceptions=False)
        for option in ("--json", "--quiet")
    ]
    found = json.loads(runs[0].stdout)
    for way in ("scan_to_light", "light_to_scan"):
        other = found["second_opinion"][way]
        assert other["max"] == pytest.approx(0.025, abs=2e-3)
        assert other["rms"] == pytest.approx(found[way]["rms"], rel=0.05)
    schema = json.loads(schema_text())
    Draft202012Validator({"$ref": "#/$defs/AuditRecord", "$defs": schema["$defs"]}).validate(found)
    assert not [caution for caution in found["cautions"] if "second opinion" in caution]
    assert runs[1].stdout.count("second opinion:") == 2


def test_a_mesh_against_itself_holds_everything(pair: tuple[Path, Path]) -> None:
    scan = str(pair[0])
    options = [
        "--max-deviation",
        "0.001",
        "--max-axis-shift",
        "0.001",
        "--max-radius-change",
        "0.001",
        "--max-tilt",
        "0.001",
    ]
    done = CliRunner().invoke(command, [scan, scan, *options, "--quiet"], standalone_mode=False, catch_exceptions=False)
    assert done.return_value == 0
    assert "NOT HELD" not in done.output


def test_a_missing_file_is_one_sentence(pair: tuple[Path, Path]) -> None:
    with pytest.raises(InputError, match=r"nothing\.stl"):
        CliRunner().invoke(command, [str(pair[0]), "nothing.stl"], standalone_mode=False, catch_exceptions=False)
