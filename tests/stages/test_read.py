"""The read stage: units, figures seen at once, cautions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.errors import InputError
from pipeline.job import ReadSettings
from pipeline.progress import silent
from pipeline.stages.read import TESSELLATION, read
from tests.campaign.seeds import part, stl


def _block(path: Path, scale: float, noise: float = 0.0) -> Path:
    """A 200 x 120 x 80 mm block, 20 mm facets, its numbers multiplied by `scale`."""
    block = trimesh.creation.box((200, 120, 80)).subdivide_to_size(20)
    block.vertices += noise * np.random.default_rng(0).normal(size=block.vertices.shape)
    block.apply_scale(scale)
    block.export(path)
    return path


@pytest.mark.parametrize(
    ("units", "factor"),
    # 1 in = 25.4 mm exactly: international yard and pound agreement, 1959.
    [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4)],
)
def test_every_unit_ends_as_millimetres(tmp_path: Path, units: str, factor: float) -> None:
    result = read(_block(tmp_path / "block.stl", 1 / factor), ReadSettings(units=units), silent)
    assert np.ptp(result.surface.vertices, axis=0) == pytest.approx([200, 120, 80], rel=1e-6)
    assert result.source.unit_factor == factor
    assert result.source.unit == units
    assert np.array(result.source.bounds) == pytest.approx(np.array([[-100, -60, -40], [100, 60, 40]]), rel=1e-6)
    assert result.cautions == (TESSELLATION,)  # a block drawn exactly


@pytest.mark.parametrize(("scale", "word"), [(1 / 25.4, "inches"), (0.001, "metres"), (0.1, "centimetres"), (1000, "")])
def test_a_wrong_looking_unit_is_said(tmp_path: Path, scale: float, word: str) -> None:
    result = read(_block(tmp_path / "block.stl", scale), ReadSettings(), silent)
    told, caution = result.cautions
    assert told == TESSELLATION
    assert "unusual size" in caution
    assert word in caution
    assert "--units" in caution


def test_the_unit_of_the_file_is_followed_and_a_contradiction_said(tmp_path: Path) -> None:
    path = _block(tmp_path / "block.glb", 0.001)
    result = read(path, ReadSettings(), silent)
    assert (result.source.unit, result.source.unit_factor, result.cautions) == ("m", 1000.0, (TESSELLATION,))
    assert np.ptp(result.surface.vertices, axis=0) == pytest.approx([200, 120, 80], rel=1e-6)
    contrary = read(path, ReadSettings(units="in"), silent)
    assert contrary.source.unit_factor == 25.4
    assert any("states metres" in c for c in contrary.cautions)


def test_figures_of_the_source(tmp_path: Path) -> None:
    path = _block(tmp_path / "block.stl", 1.0)
    result = read(path, ReadSettings(), silent)
    mesh = trimesh.load(path)
    assert result.source.facets == len(mesh.faces) == result.surface.facets
    assert result.source.vertices == len(mesh.vertices)
    assert result.source.mean_edge == pytest.approx(mesh.edges_unique_length.mean(), rel=0.02)
    assert result.source.file == "block.stl"
    assert (result.surface.origin == 0).all()
    assert result.source.scale_uncertainty == 0.0
    told = read(path, ReadSettings(scale_uncertainty=0.05), silent)
    assert told.source.scale_uncertainty == pytest.approx(5e-5)  # 0.05 mm in a metre


def test_noise_is_seen(tmp_path: Path) -> None:
    plate = trimesh.creation.box((60, 60, 60)).subdivide_to_size(1.2)
    plate.vertices += 0.02 * np.random.default_rng(1).normal(size=plate.vertices.shape)
    plate.export(tmp_path / "plate.stl")
    assert read(tmp_path / "plate.stl", ReadSettings(), silent).source.noise_sigma == pytest.approx(0.02, rel=0.1)


def test_noise_is_seen_through_facets_that_are_there_twice(tmp_path: Path) -> None:
    plate = trimesh.creation.box((60, 60, 60)).subdivide_to_size(1.2)
    plate.vertices += 0.02 * np.random.default_rng(1).normal(size=plate.vertices.shape)
    twice = trimesh.Trimesh(plate.vertices, np.vstack([plate.faces, plate.faces[::2]]), process=False)
    twice.export(tmp_path / "twice.stl")
    result = read(tmp_path / "twice.stl", ReadSettings(), silent)
    assert result.source.facets == len(twice.faces)
    assert result.source.noise_sigma == pytest.approx(0.02, rel=0.1)


def test_a_scan_that_was_changed_since_the_run_began_is_refused(tmp_path: Path) -> None:
    vertices, faces = part()
    path = tmp_path / "a.stl"
    path.write_bytes(stl(vertices[faces]))
    sha256 = read(path, ReadSettings(), silent).source.sha256
    assert read(path, ReadSettings(), silent, sha256).source.sha256 == sha256
    path.write_bytes(stl(vertices[faces[1:]]))
    with pytest.raises(InputError, match="was changed while it was read"):
        read(path, ReadSettings(), silent, sha256)


def test_facets_without_area_are_refused(tmp_path: Path) -> None:
    (tmp_path / "thread.obj").write_text("v 0 0 0\nv 50 0 0\nv 100 0 0\nf 1 2 1\nf 1 1 2\n")
    with pytest.raises(InputError, match="no area"):
        read(tmp_path / "thread.obj", ReadSettings(), silent)


def test_progress_rises_to_one(tmp_path: Path) -> None:
    seen: list[float] = []
    read(_block(tmp_path / "block.stl", 1.0), ReadSettings(), lambda fraction, text="": seen.append(fraction))
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def noisy_drum(folder: Path, scale: float = 1.0, **moved: float) -> Path:
    """A drum of 20 mm, times `scale`; one vertex, in all its facets, `spike` mm out, or a facet of size `wild`."""
    drum = trimesh.creation.cylinder(10, 20, sections=48).subdivide()
    corners = (drum.vertices + 0.01 * np.random.default_rng(1).normal(size=drum.vertices.shape))[drum.faces]
    if "spike" in moved:
        corners[drum.faces == 7] = (moved["spike"], 0, 0)
    if "wild" in moved:
        corners = np.concatenate([corners, moved["wild"] * np.array([[[1.0, 0, 0], [0, 1, 0], [0, 0, -1]]])])
    path = folder / "drum.stl"
    with np.errstate(over="ignore"):
        path.write_bytes(stl(corners * scale))
    return path


@pytest.mark.parametrize("reach", [1e6, 1e20, 3e38])
@pytest.mark.parametrize("what", ["spike", "wild"])
def test_what_lies_far_beyond_the_part_is_taken_away_and_told(tmp_path: Path, what: str, reach: float) -> None:
    plain = read(noisy_drum(tmp_path), ReadSettings(), silent)
    made = read(noisy_drum(tmp_path, **{what: reach}), ReadSettings(), silent)
    assert "10,000 times as far out as the rest; they were taken away" in made.cautions[0]
    gone = len(plain.surface.faces) - len(made.surface.faces)
    assert gone == 0 if what == "wild" else 3 <= gone <= 8
    assert np.ptp(made.surface.vertices, axis=0).max() < 21
    assert made.source.noise_sigma == pytest.approx(plain.source.noise_sigma, rel=0.05)
    assert made.source.mean_edge == pytest.approx(plain.source.mean_edge, rel=0.01)


def test_what_lies_a_thousand_times_out_stays(tmp_path: Path) -> None:
    made = read(noisy_drum(tmp_path, wild=1e4), ReadSettings(), silent)
    assert not any("taken away" in text for text in made.cautions)
    assert np.ptp(made.surface.vertices, axis=0).max() == pytest.approx(1e4, rel=0.01)


@pytest.mark.parametrize(("scale", "says"), [
    (1e-42, "no unit makes a casting of that"), (1e-9, "no unit makes"), (1e-4, r"largest side is 0\.00201 mm"),
    (1e8, "largest side is 2.01e\\+09 mm, which no scan of a casting has"), (1e36, "no unit makes a casting of that"),
])  # fmt: skip
def test_sizes_that_no_scan_has_are_refused(tmp_path: Path, scale: float, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read(noisy_drum(tmp_path, scale), ReadSettings(), silent)


@pytest.mark.parametrize(("scale", "units", "says"), [
    (100.0, "m", "largest side is 2.01e\\+06 mm, .* 2005 mm if it is in millimetres; give its unit with --units"),
    (0.003, "mm", "largest side is 0.0602 mm, .* 60.15 mm if it is in metres; give its unit"),
])  # fmt: skip
def test_the_unit_to_try_is_named(tmp_path: Path, scale: float, units: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read(noisy_drum(tmp_path, scale), ReadSettings(units=units), silent)


def _written(path: Path, points: np.ndarray, faces: np.ndarray) -> Path:
    if path.suffix == ".stl":
        path.write_bytes(stl(points[faces]))
    elif path.suffix == ".xyz":
        path.write_text("\n".join(" ".join(f"{x:.4f}" for x in row) for row in points))
    else:
        mesh = trimesh.Trimesh(points.astype(np.float32), faces, process=False)
        path.write_bytes(mesh.export(file_type=path.suffix[1:]))
    return path


@pytest.mark.parametrize("form", ["stl", "ply", "xyz"])
def test_the_order_in_the_file_makes_no_difference(tmp_path: Path, form: str) -> None:
    """Facets, vertices, and the corner that a facet starts at: the surface is the same to the last bit, and no later
    stage knows another."""
    vertices, faces = part()
    want = read(_written(tmp_path / f"a.{form}", vertices, faces), ReadSettings(), silent)
    for seed in range(2):
        random = np.random.default_rng(seed)
        places = random.permutation(len(vertices))
        other = np.argsort(places)[faces][random.permutation(len(faces))]
        other = np.take_along_axis(other, (np.arange(3) + random.integers(3, size=(len(faces), 1))) % 3, axis=1)
        found = read(_written(tmp_path / f"b.{form}", vertices[places], other), ReadSettings(), silent)
        np.testing.assert_array_equal(found.surface.vertices, want.surface.vertices)
        np.testing.assert_array_equal(found.surface.faces, want.surface.faces)
        assert replace(found.source, file="", sha256="") == replace(want.source, file="", sha256="")
