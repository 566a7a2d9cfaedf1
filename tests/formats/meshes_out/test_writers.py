"""Mesh files, read again by trimesh (an independent reader): same volume, unit and bounds; same bytes twice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.formats import meshes_out
from tests.outcomes import part_mesh

VERTICES, FACES, LABELS = part_mesh()
ORIGIN = (np.arange(len(FACES)) % 3 == 0).astype(np.uint8)
NAMES = [f"feature-{k}" for k in range(LABELS.max() + 1)]
TRUE = trimesh.Trimesh(VERTICES, FACES, process=False)


def write(path: Path) -> Path:
    match path.suffix:
        case ".stl":
            meshes_out.write_stl(path, VERTICES, FACES, "mm")
        case ".ply":
            meshes_out.write_ply(path, VERTICES, FACES, LABELS, ORIGIN, ("part coordinates", "two\nlines, é"))
        case ".obj":
            meshes_out.write_obj(path, VERTICES, FACES, LABELS, NAMES, "mm")
        case ".3mf":
            meshes_out.write_3mf(path, VERTICES, FACES, "mm")
        case ".glb":
            meshes_out.write_glb(path, VERTICES, FACES)
    return path


def test_the_mesh_that_is_written_is_a_fair_trial() -> None:
    assert TRUE.is_watertight
    assert TRUE.volume > 0


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "3mf"])
def test_read_again_the_mesh_is_the_same(tmp_path: Path, form: str) -> None:
    scene = trimesh.load_scene(write(tmp_path / f"light.{form}"))
    again = scene.to_mesh()
    again.merge_vertices()
    assert again.is_watertight
    assert len(again.faces) == len(FACES)
    assert again.volume == pytest.approx(TRUE.volume, rel=1e-6)
    np.testing.assert_allclose(again.bounds, TRUE.bounds, atol=1e-5)
    if form == "3mf":
        assert scene.units == "millimeter"


def test_3mf_states_inches(tmp_path: Path) -> None:
    meshes_out.write_3mf(tmp_path / "a.3mf", VERTICES / 25.4, FACES, "in")
    scene = trimesh.load_scene(tmp_path / "a.3mf")
    assert scene.units == "inch"
    scene = scene.convert_units("mm")
    np.testing.assert_allclose(scene.bounds, TRUE.bounds, atol=1e-5)


def test_gltf_is_metres_with_y_up(tmp_path: Path) -> None:
    # glTF 2.0 specification, 3.4 "Coordinate System and Units": right-handed, +Y up, metres.
    again = trimesh.load_scene(write(tmp_path / "light.glb")).to_mesh()
    assert again.volume == pytest.approx(TRUE.volume * 1e-9, rel=1e-6)
    low, high = again.bounds * 1000
    # x stays x, the part's z has become y, its y has become -z.
    np.testing.assert_allclose([[low[0], -high[2], low[1]], [high[0], -low[2], high[1]]], TRUE.bounds, atol=1e-4)


def test_ply_keeps_double_precision_labels_and_origin(tmp_path: Path) -> None:
    again = trimesh.load_mesh(write(tmp_path / "light.ply"), process=False)
    np.testing.assert_array_equal(again.vertices, VERTICES)
    np.testing.assert_array_equal(again.faces, FACES)
    facets = again.metadata["_ply_raw"]["face"]["data"]
    np.testing.assert_array_equal(np.ravel(facets["feature"]), LABELS)
    np.testing.assert_array_equal(np.ravel(facets["origin"]), ORIGIN)


def test_obj_groups_are_the_features(tmp_path: Path) -> None:
    labels = LABELS.copy()
    labels[:100] = -1
    path = tmp_path / "light.obj"
    meshes_out.write_obj(path, VERTICES, FACES, labels, NAMES, "mm")
    counts: dict[str, int] = {}
    for line in path.read_text().splitlines():
        if line.startswith("g "):
            group = line[2:]
        elif line.startswith("f "):
            counts[group] = counts.get(group, 0) + 1
    assert counts.pop("skin") == 100
    assert counts == {f"feature-{k}": int((labels == k).sum()) for k in range(16) if (labels == k).any()}


def test_an_stl_does_not_look_like_a_text_one(tmp_path: Path) -> None:
    content = write(tmp_path / "light.stl").read_bytes()
    assert not content.lstrip().lower().startswith(b"solid")
    assert len(content) == 84 + 50 * len(FACES)
    assert b"unit mm" in content[:80]


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "3mf", "glb"])
def test_the_same_mesh_gives_the_same_bytes(tmp_path: Path, form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    first = write(tmp_path / f"a.{form}").read_bytes()
    later = time.time() + 86400 * 400
    monkeypatch.setattr(time, "time", lambda: later)
    monkeypatch.setattr(time, "localtime", lambda *_: time.struct_time((2031, 2, 3, 4, 5, 6, 0, 34, 0)))
    assert write(tmp_path / f"b.{form}").read_bytes() == first
