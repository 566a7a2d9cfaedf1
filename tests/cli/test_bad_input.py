"""Bad input gets one sentence, exit status 2, no traceback, and nothing of the user's is touched.

Covers: pipeline.cli.main, pipeline.cli.run, pipeline.cli.terminal.figure
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest

from tests.test_demo import datumlift


def _stl(path: Path, corners: np.ndarray, count: int | None = None) -> Path:
    record = np.zeros(len(corners), dtype=[("normal", "<3f4"), ("corners", "<9f4"), ("attribute", "<u2")])
    record["corners"] = corners.reshape(len(corners), 9)
    path.write_bytes(bytes(80) + struct.pack("<I", len(corners) if count is None else count) + record.tobytes())
    return path


def _truncated(folder: Path) -> list[str | Path]:
    path = _stl(folder / "cut.stl", np.random.default_rng(1).random((50, 3, 3)), count=70)
    return ["run", path]


def _empty(folder: Path) -> list[str | Path]:
    (folder / "empty.stl").touch()
    return ["run", folder / "empty.stl"]


def _text(folder: Path) -> list[str | Path]:
    (folder / "text.stl").write_text("Dear sir, enclosed you find the housing.\n" * 40)
    return ["run", folder / "text.stl"]


def _not_numbers(folder: Path) -> list[str | Path]:
    corners = np.random.default_rng(1).random((50, 3, 3))
    corners[7, 1, 2] = np.nan
    return ["run", _stl(folder / "nan.stl", corners)]


def _misspelt_key(folder: Path) -> list[str | Path]:
    (folder / "job.toml").write_text('scan = "a.stl"\n[lighten]\nfacet = 5000\n')
    return ["run", folder / "job.toml"]


def _missing(folder: Path) -> list[str | Path]:
    return ["run", folder / "nowhere.stl"]


def _missing_job(folder: Path) -> list[str | Path]:
    return ["run", folder / "nowhere.toml"]


def _job_from_a_pipe(folder: Path) -> list[str | Path]:
    os.mkfifo(folder / "pipe.toml")
    return ["run", folder / "pipe.toml"]


def _scan_from_a_pipe(folder: Path) -> list[str | Path]:
    os.mkfifo(folder / "pipe.stl")
    return ["run", folder / "pipe.stl"]


def _scan_from_a_device(folder: Path) -> list[str | Path]:
    (folder / "zero.stl").symlink_to("/dev/zero")
    return ["run", folder / "zero.stl"]


def _light_from_a_pipe(folder: Path) -> list[str | Path]:
    scan = _stl(folder / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    os.mkfifo(folder / "pipe.stl")
    return ["compare", scan, folder / "pipe.stl"]


def _run_with_a_pipe(folder: Path) -> list[str | Path]:
    os.mkfifo(folder / "datums.json")
    return ["solid", folder]


def _make_beyond_figures(folder: Path) -> list[str | Path]:
    make = 'name = "a"\n[make.gasket]\non = "a: end"\nthickness = 1e308\n'
    part = "[part.a]\nturned = [[0, 20], [50, 20]]\nuncertainty = 0.01\n"
    (folder / "huge.toml").write_text(part + "[[make]]\n" + make)
    return ["fit", folder / "huge.toml"]


def _layout_from_a_pipe(folder: Path) -> list[str | Path]:
    os.mkfifo(folder / "pipe.toml")
    return ["fit", folder / "pipe.toml"]


def _list_from_a_pipe(folder: Path) -> list[str | Path]:
    os.mkfifo(folder / "pipe.txt")
    (folder / "job.toml").write_text('scan = "a.stl"\n')
    return ["batch", folder / "pipe.txt", "--job", folder / "job.toml"]


def _list_from_a_device(folder: Path) -> list[str | Path]:
    (folder / "job.toml").write_text('scan = "a.stl"\n')
    return ["batch", "/dev/zero", "--job", folder / "job.toml"]


def _no_figure(folder: Path) -> list[str | Path]:
    scan = _stl(folder / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    return ["run", scan, "--tolerance", "nan"]


def _no_writing(folder: Path) -> list[str | Path]:
    scan = _stl(folder / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    return ["run", scan, "--out", "/proc/datumlift"]


def _file_as_folder(folder: Path) -> list[str | Path]:
    scan = _stl(folder / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    (folder / "taken").write_text("mine")
    return ["run", scan, "--out", folder / "taken"]


def _wrong_option(folder: Path) -> list[str | Path]:
    return ["run", folder / "a.stl", "--tolerance", "-1"]


def _wrong_extension(folder: Path) -> list[str | Path]:
    (folder / "scan.docx").write_bytes(b"PK\x03\x04")
    return ["run", folder / "scan.docx"]


def _job_there_already(folder: Path) -> list[str | Path]:
    scan = _stl(folder / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    (folder / "good.toml").write_text("# mine")
    return ["new", scan]


CASES = {
    _truncated: ("cut.stl", "70"),
    _empty: ("empty.stl", "empty"),
    _text: ("text.stl", ""),
    _not_numbers: ("nan.stl", ""),
    _misspelt_key: ("job.toml", "did you mean 'facets'"),
    _missing: ("nowhere.stl", "does not exist"),
    _missing_job: ("nowhere.toml", "datumlift new"),
    _job_from_a_pipe: ("pipe.toml", "a pipe or a device"),
    _layout_from_a_pipe: ("pipe.toml", "a pipe or a device"),
    _scan_from_a_pipe: ("pipe.stl", "a pipe or a device"),
    _scan_from_a_device: ("zero.stl", "a pipe or a device"),
    _light_from_a_pipe: ("pipe.stl", "a pipe or a device"),
    _run_with_a_pipe: ("datums.json", "a pipe or a device"),
    _make_beyond_figures: ("huge.toml", "less than or equal to 1000000"),
    _list_from_a_pipe: ("pipe.txt", "a pipe or a device"),
    _list_from_a_device: ("/dev/zero", "a pipe or a device"),
    _no_figure: ("nan", "above 0"),
    _no_writing: ("/proc/datumlift", "can't be written"),
    _file_as_folder: ("taken", "file of that name"),
    _wrong_option: ("tolerance", ""),
    _wrong_extension: ("scan.docx", ""),
    _job_there_already: ("good.toml", "left alone"),
}


@pytest.mark.parametrize("make", CASES, ids=lambda make: make.__name__.strip("_"))
def test_one_sentence_and_nothing_touched(tmp_path: Path, make) -> None:  # type: ignore[no-untyped-def]
    arguments = make(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    done = datumlift(*arguments)
    names, says = CASES[make]
    assert done.returncode == 2, done.stdout + done.stderr
    message = done.stderr.strip().splitlines()[-1]
    assert names in message
    assert says in message
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert {path: path.read_bytes() for path in before} == before
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == set(before)
    assert {path for path in tmp_path.rglob("*") if path.is_dir()} == set()


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_write_permission(tmp_path: Path) -> None:
    scan = _stl(tmp_path / "good.stl", np.random.default_rng(1).random((50, 3, 3)))
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o500)
    done = datumlift("run", scan, "--out", shut / "out")
    assert done.returncode == 2
    assert "can't be written" in done.stderr


def test_an_old_table_of_measured_sizes_ends_with_the_new_lines(tmp_path: Path) -> None:
    (tmp_path / "old.toml").write_text('scan = "a.stl"\n[[caliper]]\nfeature = "H3"\ndiameter = 62.01\n')
    done = datumlift("run", tmp_path / "old.toml")
    assert done.returncode == 2
    assert done.stdout == ""
    said, _, lines = done.stderr.partition("\n\n")
    assert "old.toml: [[caliper]] is [[measured]] now" in said
    assert lines.splitlines()[:4] == ["[[measured]]", 'what = "diameter"', 'features = ["H3"]', "value = 62.01"]
    assert lines.splitlines()[4].startswith("uncertainty = 0.01")
