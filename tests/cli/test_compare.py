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
from pipeline.formats.meshes_out import write_ply, write_stl
from pipeline.values import FILLED


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


@pytest.fixture(scope="module")
def lidded(pair: tuple[Path, Path]) -> tuple[Path, Path, Path]:
    """A drum as scanned, as a run would write it with a filled disc that hangs 6 mm over its end, and the same two
    without a word of what was filled."""
    drum = trimesh.load_mesh(pair[0])
    top = drum.vertices[:, 2].max()
    disc = trimesh.creation.cylinder(10.0, 1e-3, sections=60)
    disc.apply_translation((0.0, 0.0, top + 6.0))
    vertices = np.vstack([drum.vertices, disc.vertices])
    faces = np.vstack([drum.faces, disc.faces + len(drum.vertices)]).astype(np.int32)
    origin = np.repeat(np.array([0, FILLED], np.uint8), [len(drum.faces), len(disc.faces)])
    told, untold = pair[0].with_name("told.ply"), pair[0].with_name("untold.stl")
    write_ply(told, vertices, faces, np.full(len(faces), -1, np.int32), origin, ["scan coordinates, unit mm"])
    write_stl(untold, vertices, faces, "mm")
    return pair[0], told, untold


def test_what_a_run_filled_is_told_apart_and_not_judged(lidded: tuple[Path, Path, Path]) -> None:
    """The disc is 6 mm from the drum by construction; nothing else was moved, so nothing else is to be found."""
    scan, told, untold = map(str, lidded)
    asked = ["--max-deviation", "0.01"]
    done = CliRunner().invoke(command, [scan, told, *asked, "--json"], standalone_mode=False, catch_exceptions=False)
    found = json.loads(done.stdout)
    assert done.return_value == 0
    assert found["light_to_scan"]["max"] < 1e-3
    assert found["filled"]["max"] == pytest.approx(6.0, abs=2e-3)
    assert found["area_filled"] == pytest.approx(2 * np.pi * 10.0**2, rel=0.01)
    done = CliRunner().invoke(command, [scan, told, "--quiet"], standalone_mode=False, catch_exceptions=False)
    assert "never measured, so not judged; they lie up to 6.00 mm from SCAN" in done.output
    # The same facets in a file that says nothing are taken as measured.
    done = CliRunner().invoke(command, [scan, untold, *asked, "--json"], standalone_mode=False, catch_exceptions=False)
    found = json.loads(done.stdout)
    assert done.return_value == 3
    assert found["light_to_scan"]["max"] == pytest.approx(6.0, abs=2e-3)
    assert "filled" not in found


def test_what_a_run_filled_is_no_part_of_the_scan_either(lidded: tuple[Path, Path, Path]) -> None:
    scan, told, _ = map(str, lidded)
    done = CliRunner().invoke(command, [told, scan, "--json"], standalone_mode=False, catch_exceptions=False)
    found = json.loads(done.stdout)
    assert found["scan_to_light"]["max"] < 1e-3
    assert found["area_removed"] == pytest.approx(2 * np.pi * 10.0**2, rel=0.01)


def test_a_light_mesh_that_states_its_unit_is_taken_in_it(pair: tuple[Path, Path]) -> None:
    drum = trimesh.load_mesh(pair[0])
    inches, faces = pair[0].with_name("inches.ply"), drum.faces.astype(np.int32)
    none = np.full(len(faces), -1, np.int32)
    write_ply(inches, drum.vertices / 25.4, faces, none, np.zeros(len(faces), np.uint8), ["part coordinates, unit in"])
    asked = [str(pair[0]), str(inches), "--units", "mm", "--json"]
    found = json.loads(CliRunner().invoke(command, asked, standalone_mode=False, catch_exceptions=False).stdout)
    assert found["light_to_scan"]["max"] < 1e-4


def test_align_prints_the_motion_and_undoes_it(pair: tuple[Path, Path]) -> None:
    """The light mesh is turned by 20 degrees about a slanted axis and shifted: the motion printed is the way back."""
    drum = trimesh.load_mesh(pair[0])
    # No turn lays the part onto itself, so that there is one way back.
    drum.vertices[:, 0] *= np.where(drum.vertices[:, 0] > 0, 1.3, 1.0)
    drum.vertices[:, :2] *= 1.0 + drum.vertices[:, 2:] / 300.0
    scan, moved = pair[0].with_name("oval.stl"), pair[0].with_name("moved.stl")
    drum.export(scan)
    away = trimesh.transformations.rotation_matrix(np.radians(20.0), (1.0, 2.0, 3.0))
    away[:3, 3] = 5.0, -3.0, 2.0
    drum.apply_transform(away)
    drum.export(moved)
    asked = [str(scan), str(moved), "--align"]
    runs = [
        CliRunner().invoke(command, [*asked, option], standalone_mode=False, catch_exceptions=False).stdout
        for option in ("--json", "--quiet")
    ]
    found = json.loads(runs[0])
    np.testing.assert_allclose(np.array(found["motion"]) @ away, np.eye(4), atol=1e-3)
    lines = runs[1].splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("align"))
    assert "turned by 20.0000 deg" in lines[at] or "turned by 19.999" in lines[at]
    printed = [[float(word) for word in line.split()] for line in lines[at + 1 : at + 5]]
    np.testing.assert_allclose(printed, found["motion"], atol=1e-9)


def test_bodies_of_a_few_facets_are_laid_where_they_fit(tmp_path: Path) -> None:
    """An edge beside every facet leaves neither a face nor smooth skin to go by: laid by the facets alone, and told."""
    corners = np.array([[0.0, 0.0, 0.0], [20.0, 0.0, 0.0], [0.0, 20.0, 0.0], [0.0, 0.0, 20.0]])
    wedge = trimesh.Trimesh(corners, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], process=False)
    wedge.export(tmp_path / "wedge.stl")
    asked = [*[str(tmp_path / "wedge.stl")] * 2, "--align", "--json"]
    told = CliRunner().invoke(command, asked, standalone_mode=False, catch_exceptions=False)
    found = json.loads(told.stdout)
    assert found["light_to_scan"]["max"] == pytest.approx(0.0, abs=1e-6)
    assert any("too few features in common" in caution for caution in found["cautions"])


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
    assert "within_budget" not in found  # none was set
    schema = json.loads(schema_text())
    audit = {"$ref": "#/$defs/AuditRecord", "$defs": schema["$defs"]}
    Draft202012Validator(audit).validate({**found, "within_budget": True})
    Draft202012Validator(json.loads(schema_text("compare"))).validate(found)
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
