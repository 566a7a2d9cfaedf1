"""Artefacts come back as they went, and anything damaged counts as absent."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline import artefacts
from pipeline.job import Zone
from pipeline.values import CleanResult, Proposal, Removal
from pipeline.values.surface import Surface


def _result() -> CleanResult:
    surface = Surface.measured(np.arange(9.0).reshape(3, 3), np.array([[0, 1, 2]]))
    return CleanResult(surface, (Removal("debris", 2, 0.25, "π <b>"),), area_in=float("nan"))


def test_a_result_comes_back_as_it_went(tmp_path: Path) -> None:
    path = tmp_path / "clean.npz"
    artefacts.store(_result(), path)
    back = artefacts.fetch(path)
    assert isinstance(back, CleanResult)
    assert np.array_equal(back.surface.vertices, _result().surface.vertices)
    assert back.surface.faces.dtype == np.int32
    assert back.removals == _result().removals
    assert np.isnan(back.area_in)
    assert artefacts.fetch(path, "removals") == _result().removals
    assert [p.name for p in tmp_path.iterdir()] == ["clean.npz"]


def test_settings_come_back_with_what_was_given_and_no_more(tmp_path: Path) -> None:
    zone = Zone(shape="sphere", centre=(1.0, 2.0, 3.0), radius=4.0)
    artefacts.store((Proposal("post", np.zeros(3), 5.0, "why", zone),), tmp_path / "fill.npz")
    (back,) = artefacts.fetch(tmp_path / "fill.npz")
    assert back.zone == zone
    assert back.zone.model_fields_set == {"shape", "centre", "radius"}


plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner) | st.tuples(inner, inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@settings(max_examples=60, deadline=None)
@given(value=plain, array=hnp.arrays(st.sampled_from([np.float64, np.int32, np.uint8]), st.integers(0, 5)))
def test_plain_values_and_arrays(tmp_path_factory: pytest.TempPathFactory, value: object, array: np.ndarray) -> None:
    path = tmp_path_factory.getbasetemp() / "value.npz"
    artefacts.store((value, array), path)
    back, kept = artefacts.fetch(path)
    assert back == value
    assert kept.dtype == array.dtype
    assert np.array_equal(kept, array, equal_nan=array.dtype.kind == "f")


@pytest.mark.parametrize("keep", [0, 10, 200, 0.5, 0.98])
def test_a_damaged_artefact_counts_as_absent(tmp_path: Path, keep: float) -> None:
    path = tmp_path / "clean.npz"
    artefacts.store(_result(), path)
    data = path.read_bytes()
    path.write_bytes(data[: int(keep if keep > 1 else keep * len(data))])
    with pytest.raises(FileNotFoundError):
        artefacts.fetch(path)


def test_what_another_program_packed_or_cut_counts_as_absent(tmp_path: Path) -> None:
    """An archive that swells, facets of vertices that aren't there, and arrays of other types and lengths."""
    surface = Surface.measured(np.eye(3), [[0, 1, 2]])
    artefacts.store(surface, tmp_path / "a.npz")
    assert artefacts.fetch(tmp_path / "a.npz").facets == 1
    with np.load(tmp_path / "a.npz") as archive:
        parts = {name: archive[name] for name in archive.files}
    np.savez_compressed(tmp_path / "packed.npz", **{**parts, "a0": np.zeros((100_000, 3))})
    changes: dict[str, dict[str, np.ndarray]] = {
        "corners": {"faces": np.array([[0, 1, 3]], np.int32)},
        "negative": {"faces": np.array([[0, 1, -1]], np.int32)},
        "places": {"vertices": np.full((3, 3), np.nan)},
        "text": {"vertices": np.array(["x"] * 3)},
        "flat": {"vertices": np.zeros(9)},
        "origins": {"origin": np.zeros(4, np.uint8)},
    }
    for name, change in changes.items():
        artefacts.store(replace(surface, **change), tmp_path / f"{name}.npz")
    for name in ("packed", *changes):
        with pytest.raises(FileNotFoundError):
            artefacts.fetch(tmp_path / f"{name}.npz")


def test_what_was_made_of_something_else_counts_as_absent(tmp_path: Path) -> None:
    path = tmp_path / "clean.npz"
    artefacts.store(_result(), path, "of this scan")
    assert artefacts.fits(path, "of this scan")
    assert artefacts.fetch(path, "removals", "of this scan") == artefacts.fetch(path, "removals") == _result().removals
    assert not artefacts.fits(path, "of another scan")
    assert not artefacts.fits(tmp_path / "none.npz", "of this scan")
    with pytest.raises(FileNotFoundError):
        artefacts.fetch(path, key="of another scan")


@pytest.mark.parametrize("name", ["a0.npy", "structure.npy", "seal"])
def test_an_exchanged_part_counts_as_absent(tmp_path: Path, name: str) -> None:
    """Each part is sound by itself, as another scan's is."""
    mine, other, mixed = (tmp_path / f"{name}.npz" for name in ("mine", "other", "mixed"))
    artefacts.store(_result(), mine, "key")
    artefacts.store((np.full((3, 3), 7.0), 1.0), other, "another key")
    with zipfile.ZipFile(mine) as one, zipfile.ZipFile(other) as two, zipfile.ZipFile(mixed, "w") as made:
        for part in one.namelist():
            made.writestr(part, (two if part == name else one).read(part))
    assert not artefacts.fits(mixed, "key")
    with pytest.raises(FileNotFoundError):
        artefacts.fetch(mixed)


def test_an_artefact_has_no_time_in_it(tmp_path: Path) -> None:
    """The same result is the same bytes, whenever it is made."""
    artefacts.store(_result(), tmp_path / "clean.npz", "key")
    with zipfile.ZipFile(tmp_path / "clean.npz") as archive:
        assert {part.date_time for part in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_only_values_of_this_package_are_made(tmp_path: Path) -> None:
    path = tmp_path / "foreign.npz"
    with open(path, "wb") as file:
        np.savez(file, structure=np.array('{"#": "subprocess:Popen", "is": {"args": "true"}}'))
    with pytest.raises(FileNotFoundError):
        artefacts.fetch(path)


def test_a_fingerprint_tells_arrays_of_the_same_bytes_apart() -> None:
    values = (np.zeros((2, 3)), np.zeros((3, 2)), np.zeros((2, 3), np.int64), np.zeros(6), np.ones((2, 3)))
    assert len({artefacts.fingerprint(value) for value in values}) == len(values)
    assert artefacts.fingerprint(np.zeros((3, 2)).T) == artefacts.fingerprint(np.zeros((2, 3)))


@pytest.mark.parametrize(
    "array",
    [
        np.arange(6.0).reshape(2, 3),
        np.asfortranarray(np.arange(6.0).reshape(2, 3)),
        np.arange(12, dtype=np.int16)[::2],
        np.empty((0, 3)),
        np.array(2.5),
        np.array(["a", "bcd"]),
    ],
)
def test_arrays_stand_in_the_file_as_numpy_writes_them(tmp_path: Path, array: np.ndarray) -> None:
    artefacts.store((array,), tmp_path / "ours.npz")
    np.savez(tmp_path / "numpy.npz", a0=array)
    with zipfile.ZipFile(tmp_path / "ours.npz") as ours, zipfile.ZipFile(tmp_path / "numpy.npz") as theirs:
        assert ours.read("a0.npy") == theirs.read("a0.npy")
