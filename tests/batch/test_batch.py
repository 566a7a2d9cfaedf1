"""datumlift batch on small made scans: the table, what fails, what is done again, and that it is what single runs make.

Covers: pipeline.batch.batches, pipeline.batch.one_scan, pipeline.batch.scans, pipeline.batch.workers
Covers: pipeline.formats.batch_file.build, pipeline.cli.batch, pipeline.report.batch.page
Covers: pipeline.formats.tables.batch_tables
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from pipeline.batch import run_batch
from pipeline.batch.one_scan import lift
from pipeline.batch.scans import memory_of, scans_of
from pipeline.cli.batch import command, lines_of, status_of
from pipeline.errors import InputError, SettingsError
from pipeline.formats.batch_file import batch_schema_text
from pipeline.job import Job, load_job
from pipeline.runner import run
from tests.batch.made import JOB, NOISE, drum, folder


def content(place: Path) -> dict[str, str]:
    """Digests of all files below a folder, but of what holds its path: keys of results, and markers with theirs."""
    return {
        path.relative_to(place).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in place.rglob("*")
        if path.is_file() and path.name not in (".datumlift", "manifest.json")
    }


@contextlib.contextmanager
def _here(memories: object, scheduler: str | None) -> Iterator[object]:
    """One worker, a thread of this process: what all others do as well, without their start."""
    from distributed import Client, LocalCluster

    from pipeline.batch.workers import _Offer

    with (
        LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        client.register_plugin(_Offer())
        yield client


def test_a_batch_with_one_broken_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.batch.batches.workers", _here)
    scans = folder(tmp_path, [None, 10.0, 10.1])
    done = CliRunner().invoke(
        command, [str(scans), "--job", str(tmp_path / "job.toml")], standalone_mode=False, catch_exceptions=False
    )
    assert done.return_value == 2
    out = tmp_path / "castings-batch"
    data = json.loads((out / "batch.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(json.loads(batch_schema_text())).validate(data)
    assert [part["verdict"] for part in data["parts"]] == ["unusable", "held", "held"]
    assert "cut short" in data["parts"][0]["why"]
    assert "cut short" in done.output
    assert not (out / "part 1").exists()
    assert data["numbers_from"] == data["parts"][1]["sha256"]
    diameter = next(line for line in data["spread"] if (line["feature"], line["figure"]) == ("S1", "diameter"))
    assert diameter["values"][0] is None
    # Facets lie inside of the circle that their vertices lie on; the fit is to the vertices.
    assert diameter["values"][1:] == pytest.approx([20.0, 20.2], abs=4 * NOISE)
    assert diameter["apart"] is True
    rows = list(csv.DictReader((out / "parts.csv").open(encoding="utf-8")))
    assert [row["scan"] for row in rows] == ["part 1.stl", "part 2.stl", "part 3.stl"]
    page = (out / "batch.html").read_text(encoding="utf-8")
    assert "cut short" in page
    assert "S1 diameter" in page

    # The part that gave the numbers is as a run of its own makes it, the other as one beside a copy of its names.
    alone = tmp_path / "alone"
    for number in (2, 3):
        place = alone / f"part {number}"
        if number == 3:
            place.mkdir()
            shutil.copy(alone / "part 2" / "names.json", place)
        job = load_job(tmp_path / "job.toml").model_copy(update={"scan": scans / f"part {number}.stl"})
        run(job, out=place, job_file=tmp_path / "job.toml")
        ours, single = content(out / place.name), content(place)
        single = {name: digest for name, digest in single.items() if not name.startswith("kept-")}
        assert ours == single

    # The broken one is mended: it is made, nothing else is, and the numbers stay.
    drum(scans / "part 1.stl", 10.05, 7)
    before = {path: path.stat().st_mtime_ns for path in (out / "part 2" / "work").glob("*.npz")}
    again = run_batch(scans, tmp_path / "job.toml")
    assert [part.verdict for part in again.record.parts] == ["held"] * 3
    assert before == {path: path.stat().st_mtime_ns for path in (out / "part 2" / "work").glob("*.npz")}
    assert status_of(again.record) == 0
    mended = next(line for line in again.record.spread if (line.feature, line.figure) == ("S1", "diameter"))
    assert mended.values[0] == pytest.approx(20.1, abs=4 * NOISE)
    assert any("S1 diameter: mean" in line for line in lines_of(again.record, out))


def test_a_list_and_folders_of_one_name(tmp_path: Path) -> None:
    for name in ("a/Part.stl", "b/part.stl", "a/part.ply", "kept.obj"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    listed = tmp_path / "scans.txt"
    listed.write_text("# castings\nb/part.stl\na/Part.stl\n\na/part.ply\nkept.obj\nnone.stl\n", encoding="utf-8")
    found = scans_of(listed, taken=("kept",))
    assert [scan.name for scan in found] == ["b/part.stl", "a/Part.stl", "a/part.ply", "kept.obj", "none.stl"]
    assert [scan.folder for scan in found] == ["b-part-stl", "a-Part-stl", "part-ply", "kept-obj", "none"]


@pytest.mark.parametrize(
    ("text", "told"),
    [(b"", "names no scan"), (b"# none\n", "names no scan"), (b"\xff\xfe", "not UTF-8"), (b"a\0.stl", "no text"),
     (b"a.stl\n./a.stl\n", "twice")],
)  # fmt: skip
def test_a_list_that_is_none_is_refused(tmp_path: Path, text: bytes, told: str) -> None:
    path = tmp_path / "list.txt"
    path.write_bytes(text)
    with pytest.raises(InputError, match=told):
        scans_of(path)


def test_a_scan_is_no_list_and_an_empty_folder_no_batch(tmp_path: Path) -> None:
    (tmp_path / "a.stl").write_bytes(b"x")
    for source in (tmp_path / "a.stl", tmp_path / "none", tmp_path):
        if source == tmp_path:
            (tmp_path / "a.stl").unlink()
        with pytest.raises(InputError, match=r"\.$"):
            scans_of(source)


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('[[set_up]]\nscan = "b.stl"\n', "of one part"),
        ('[[measured]]\nwhat = "diameter"\nfeatures = ["S1"]\nvalue = 20.0\nuncertainty = 0.01\n', "of one part"),
        ('[[recover.accept]]\nkind = "plane"\nnear = [0, 0, 5]\n', "part coordinates"),
    ],
)
def test_a_job_of_one_part_is_refused(tmp_path: Path, table: str, told: str) -> None:
    scans = folder(tmp_path, [10.0])
    (tmp_path / "job.toml").write_text('scan = "any.stl"\n' + table)
    with pytest.raises(SettingsError, match=told):
        run_batch(scans, tmp_path / "job.toml")
    assert not (tmp_path / "castings-batch").exists()


def test_links_in_a_circle_and_names_too_long_are_one_scan_s_own_fault(tmp_path: Path) -> None:
    (tmp_path / "loop.stl").symlink_to("loop.stl")
    (tmp_path / "list.txt").write_text("loop.stl\n" + "x" * 300 + ".stl\n")
    found = scans_of(tmp_path / "list.txt")
    told = [lift(Job(scan=scan.path), scan.name, tmp_path / "out" / scan.folder, None, tmp_path) for scan in found]
    assert [one.part.verdict for one in told] == ["unusable", "unusable"]
    assert "does not exist" in str(told[0].part.why)
    assert "too long a name" in str(told[1].part.why)


def test_memory_goes_by_facets(tmp_path: Path) -> None:
    path = tmp_path / "a.stl"
    with path.open("wb") as file:
        file.truncate(84 + 50 * 20_000_000)
    assert memory_of(path) == pytest.approx(1e9 + 800 * 20e6, rel=0.01)
    assert memory_of(tmp_path / "none.stl") == 1e9


def test_no_scheduler_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.batch.workers._ANSWERS", 0.5)
    scans = folder(tmp_path, [10.0])
    with pytest.raises(InputError, match="No Dask scheduler answers"):
        run_batch(scans, tmp_path / "job.toml", scheduler="tcp://127.0.0.1:9")
    assert not (tmp_path / "castings-batch").exists()


@pytest.mark.slow
def test_twelve_scans_on_two_workers_of_which_one_is_killed(tmp_path: Path) -> None:
    """A scheduler and two workers in processes of their own, two broken scans among twelve."""
    radii: list[float | None] = [10.0 + 0.005 * number for number in range(12)]
    radii[3] = radii[8] = None
    scans = folder(tmp_path, radii)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{free.getsockname()[1]}"
    environment = {**os.environ, "NUMBA_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_scheduler", *arguments]
            if arguments[0] == "--host"
            else [sys.executable, "-m", "distributed.cli.dask_worker", *arguments],
            env=environment, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    host, port = address.split(":")
    processes = [start("--host", host, "--port", port, "--no-dashboard")]
    processes += [start(address, "--no-nanny", "--no-dashboard", "--nthreads", "1") for _ in range(2)]
    out = tmp_path / "out"
    done: list[str] = []

    def told(part: object, count: int, _: int) -> None:
        done.append(part.scan)  # type: ignore[attr-defined]
        if count == 5:
            # In the middle of a scan: wherever it is by now.
            time.sleep(1.0)
            os.kill(processes[1].pid, signal.SIGKILL)

    try:
        made = run_batch(scans, tmp_path / "job.toml", out=out, scheduler=f"tcp://{address}", told=told)
    finally:
        for process in processes:
            process.kill()
            process.wait()
    assert processes[1].returncode == -signal.SIGKILL
    assert sorted(done) == sorted(part.scan for part in made.record.parts)
    verdicts = [part.verdict for part in made.record.parts]
    assert verdicts == ["unusable" if radius is None else "held" for radius in radii]
    assert status_of(made.record) == 2
    diameter = next(s for s in made.record.spread if (s.feature, s.figure) == ("S1", "diameter"))
    for value, radius in zip(diameter.values, radii, strict=True):
        assert (value is None) == (radius is None)
        assert radius is None or value == pytest.approx(2 * radius, abs=4 * NOISE)
    # The radii were made to grow by 0.005 mm a part.
    assert diameter.drifts
    assert abs(diameter.trend - 0.01) < 4 * diameter.trend_within
    assert not list(out.rglob(".making-*"))
    whole = {name: digest for name, digest in content(out).items() if not name.startswith("part 1/")}
    lead = content(out / "part 1")

    # Single runs: the first as it is, each other one beside the first one's names.
    alone = tmp_path / "alone"
    for number, radius in enumerate(radii, 1):
        if radius is None:
            continue
        place = alone / f"part {number}"
        if number > 1:
            place.mkdir()
            shutil.copy(alone / "part 1" / "names.json", place)
        job = load_job(tmp_path / "job.toml").model_copy(update={"scan": scans / f"part {number}.stl"})
        run(job, out=place, job_file=tmp_path / "job.toml")
        single = {name: d for name, d in content(place).items() if not name.startswith("kept-")}
        assert single == content(out / place.name), number
    assert lead == content(alone / "part 1")
    # And again, on workers of this machine: nothing is made anew, the tables are the same.
    again = run_batch(scans, tmp_path / "job.toml", out=out)
    assert again.record == made.record
    assert whole == {name: digest for name, digest in content(out).items() if not name.startswith("part 1/")}


def test_job_text_is_sound(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(JOB)
    assert load_job(tmp_path / "job.toml").frame.A == "S1"
