"""Runs that are killed, and runs on a disk or in a folder that fails: nothing is lost, nothing half-written.

After each the next run ends with the same bytes as one that was never disturbed. Which moments come is by chance; the
seed is told where one fails. How many there are: DATUMLIFT_KILLS, 200 unless told otherwise.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.seeds import files

pytestmark = pytest.mark.slow

COUNT = int(os.environ.get("DATUMLIFT_KILLS", "200"))
SEED = int(os.environ.get("DATUMLIFT_KILLS_SEED", "5"))
SIGNALS = {signal.SIGKILL: -9, signal.SIGTERM: 143, signal.SIGINT: 130}
ROOT = Path(__file__).resolve().parents[2]
RUN = ("run", "job.toml", "--quiet")


def start(place: Path, arguments: tuple[str, ...] = RUN, before: Callable[[], None] | None = None):  # type: ignore[no-untyped-def]
    # OpenBLAS waits without end for memory for its threads where a limit leaves none.
    one = dict.fromkeys(("NUMBA_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    environment = {**os.environ, **one, "PYTHONHASHSEED": "0", "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", *arguments],
        cwd=place, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, preexec_fn=before,
    )  # fmt: skip


def prepared(place: Path) -> Path:
    place.mkdir(parents=True)
    (place / "scan.stl").write_bytes(files()["scan.stl"])
    (place / "job.toml").write_text('scan = "scan.stl"\n[export]\nreport = false\n')
    return place


def digest(path: Path) -> str:
    """Of a file; of a stage's result of all but its seal, which holds the key: that hangs on what was there before."""
    if path.suffix != ".npz":
        return hashlib.sha256(path.read_bytes()).hexdigest()
    with zipfile.ZipFile(path) as archive:
        parts = [(name, hashlib.sha256(archive.read(name)).hexdigest()) for name in archive.namelist()]
    return repr([part for part in parts if part[0] != "seal"])


def content(out: Path) -> dict[str, str]:
    """Digests of the outputs and of the stages' results; not of what holds the folder's own path, as keys do."""
    return {
        path.relative_to(out).as_posix(): digest(path)
        for path in out.rglob("*")
        if path.is_file() and path.name not in (".datumlift", "manifest.json") and "kept-" not in str(path)
    }


def whole(place: Path) -> None:
    """No output under its final name is half-written, whatever happened: JSON ends, and markers know all files."""
    out = place / "scan"
    for path in out.glob("*.json"):
        json.loads(path.read_text(encoding="utf-8"))
    marker = out / ".datumlift"
    known = json.loads(marker.read_text(encoding="utf-8"))["files"] if marker.exists() else {}
    for name, digests in known.items():
        path = out / name
        assert not path.exists() or hashlib.sha256(path.read_bytes()).hexdigest() in digests, name


def ends_well(place: Path, want: dict[str, str]) -> None:
    """The next run, undisturbed: the same bytes, no room and no lock left over."""
    process = start(place)
    told = process.communicate()[1]
    assert process.returncode == 0, told
    found = content(place / "scan")
    assert found == want, sorted(name for name in found.keys() | want.keys() if found.get(name) != want.get(name))
    assert not list((place / "scan").rglob(".making-*"))
    assert not list((place / "scan").rglob("*.partial*"))
    assert (place / "scan.stl").read_bytes() == files()["scan.stl"]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, str], float]:
    """What a run makes, and the seconds that it took."""
    place = prepared(tmp_path_factory.mktemp("undisturbed") / "a")
    assert start(place).wait() == 0  # it may have kernels to compile
    began = time.monotonic()
    assert start(place, (*RUN, "--fresh")).wait() == 0
    return content(place / "scan"), time.monotonic() - began


def test_killed_at_any_moment(tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    want, seconds = undisturbed
    chance, kills, number = random.Random(SEED), 0, 0
    while kills < COUNT:
        number += 1
        place = prepared(tmp_path / f"r{number}")
        for _ in range(4):
            process = start(place)
            # What comes before the folder is made is the start of Python, over and over the same.
            while process.poll() is None and not list((place / "scan").glob(".making-*")):
                time.sleep(0.01)
            try:
                process.wait(chance.uniform(0.0, 0.5) * seconds)
            except subprocess.TimeoutExpired:
                sent = chance.choice(list(SIGNALS))
                process.send_signal(sent)
                told = process.communicate()[1]
                kills += 1
                assert "Traceback" not in told, told
                # A run may have ended in the meantime.
                assert process.returncode in (SIGNALS[sent], -sent, 0), (SEED, kills, told)
                whole(place)
            else:
                process.communicate()
                break
        ends_well(place, want)
        shutil.rmtree(place)
    print(f"\n{kills} kills in {number} folders: nothing lost, nothing half-written")


def _flipped(path: Path, chance: random.Random) -> None:
    data = bytearray(path.read_bytes())
    for _ in range(3):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    path.write_bytes(bytes(data))


def _cut(path: Path, chance: random.Random) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: chance.randrange(len(data))])


def _gone(path: Path, _: random.Random) -> None:
    path.unlink()


@pytest.mark.parametrize("harm", [_flipped, _cut, _gone])
def test_work_files_that_were_harmed(
    harm: Callable[[Path, random.Random], None], tmp_path: Path, undisturbed: tuple[dict[str, str], float]
) -> None:
    """Thirty of the sixty faults: ten files, of results, manifest and marker alike."""
    chance, place = random.Random(SEED), prepared(tmp_path / "a")
    assert start(place).wait() == 0
    for _ in range(10):
        work = sorted(path for path in (place / "scan" / "work").iterdir() if path.is_file())
        harm(chance.choice(work), chance)
        ends_well(place, undisturbed[0])


@pytest.mark.parametrize("most", [0, 1_000, 10_000, 50_000, 100_000, 200_000])
def test_a_file_size_limit(most: int, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    """A write that the system cuts off: a sentence, or a run that fits."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    place = prepared(tmp_path / "a")
    process = start(place, before=limit)
    told = process.communicate()[1]
    assert process.returncode in (0, 2), told
    assert "Traceback" not in told
    assert process.returncode == 0 or told.count("\n") == 1
    whole(place)
    ends_well(place, undisturbed[0])


@pytest.mark.parametrize("megabytes", [300, 400, 1000, 1500])
def test_a_memory_limit(megabytes: int, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    """A sentence and a status of its own, also where a library finds no room; nothing left."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))

    place = prepared(tmp_path / "a")
    process = start(place, before=limit)
    told = process.communicate()[1]
    assert process.returncode in (0, 4), told
    told_so = "out of memory" in told or "a limit leaves this program" in told
    assert process.returncode == 0 or (told_so and told.count("\n") == 1)
    assert not list(place.rglob(".making-*"))
    whole(place)
    ends_well(place, undisturbed[0])


@pytest.mark.parametrize("most", [5, 6, 16])
def test_a_limit_on_open_files(most: int, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    place = prepared(tmp_path / "a")
    process = start(place, before=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (most, most)))
    told = process.communicate()[1]
    assert process.returncode in (0, 2), told
    assert process.returncode == 0 or told.count("\n") == 1
    whole(place)
    ends_well(place, undisturbed[0])


@pytest.mark.parametrize("number", range(3))
def test_outputs_that_were_taken_away(number: int, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    chance, place = random.Random(SEED + number), prepared(tmp_path / "a")
    assert start(place).wait() == 0
    outputs = sorted(path for path in (place / "scan").iterdir() if path.is_file() and path.name != ".datumlift")
    for path in chance.sample(outputs, 3):
        path.unlink()
    ends_well(place, undisturbed[0])


@pytest.mark.parametrize("harm", [_flipped, _cut])
def test_outputs_that_were_harmed(
    harm: Callable[[Path, random.Random], None], tmp_path: Path, undisturbed: tuple[dict[str, str], float]
) -> None:
    """For all that a run knows they are the user's: it makes its own anew, and keeps them beside."""
    chance, place = random.Random(SEED), prepared(tmp_path / "a")
    assert start(place).wait() == 0
    names = chance.sample(sorted(path.name for path in (place / "scan").glob("*.*") if path.name != ".datumlift"), 3)
    for name in names:
        harm(place / "scan" / name, chance)
    mine = {name: (place / "scan" / name).read_bytes() for name in names if name != "names.json"}
    assert start(place, (*RUN, "--fresh")).wait() == 0
    for name, data in mine.items():
        assert (place / "scan" / "kept-1" / name).read_bytes() == data, name
    if "names.json" not in names:
        assert content(place / "scan") == undisturbed[0]


_SMALL_DISK = """\
import os, subprocess, sys
place, size = sys.argv[1:3]
assert subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", place + "/scan"]).returncode == 0
done = subprocess.run([sys.executable, "-m", "pipeline.cli", "run", "job.toml", "--quiet"], cwd=place,
                      stderr=subprocess.PIPE, text=True)
left = [name for name in os.listdir(place + "/scan") if name.startswith(".making")]
subprocess.run(["cp", "-a", place + "/scan/.", place + "/saved"])
sys.stderr.write(done.stderr)
sys.exit(97 if left else done.returncode)
"""


@pytest.mark.parametrize("kilobytes", [4, 16, 48, 96, 160, 240, 320, 480, 640, 960, 1400, 2000])
def test_a_full_disk(kilobytes: int, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    """A small tmpfs in a mount namespace; what it held is what the next run finds on a disk with room."""
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode != 0:
        pytest.skip("no mount namespaces here")
    place = prepared(tmp_path / "a")
    (place / "scan").mkdir()
    (place / "saved").mkdir()
    process = subprocess.run(
        ["unshare", "-rm", sys.executable, "-c", _SMALL_DISK, str(place), f"{kilobytes}k"],
        env={**os.environ, "NUMBA_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
    )  # fmt: skip
    assert process.returncode in (0, 2), process.stderr
    assert "Traceback" not in process.stderr
    (place / "scan").rmdir()
    (place / "saved").rename(place / "scan")
    whole(place)
    ends_well(place, undisturbed[0])


_READ_ONLY = """\
import subprocess, sys
out = sys.argv[1] + "/scan"
assert subprocess.run(["mount", "--bind", out, out]).returncode == 0
assert subprocess.run(["mount", "-o", "remount,bind,ro", out]).returncode == 0
command = [sys.executable, "-m", "pipeline.cli", "run", "job.toml", "--quiet"]
sys.exit(subprocess.run(command, cwd=sys.argv[1]).returncode)
"""


@pytest.mark.parametrize("before", [False, True])
def test_a_file_system_that_is_read_only(
    before: bool, tmp_path: Path, undisturbed: tuple[dict[str, str], float]
) -> None:
    """Empty, or with the outputs of an earlier run in it; nobody may write there, root included."""
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode != 0:
        pytest.skip("no mount namespaces here")
    place = prepared(tmp_path / "a")
    (place / "scan").mkdir()
    if before:
        assert start(place).wait() == 0
        (place / "job.toml").write_text((place / "job.toml").read_text() + "step = 'none'\n")
    process = subprocess.run(
        ["unshare", "-rm", sys.executable, "-c", _READ_ONLY, str(place)],
        env={**os.environ, "NUMBA_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
    )  # fmt: skip
    assert process.returncode == 2, process.stderr
    assert "can't be written" in process.stderr
    assert process.stderr.count("\n") == 1
    prepared(tmp_path / "b")
    (place / "job.toml").write_bytes((tmp_path / "b" / "job.toml").read_bytes())
    ends_well(place, undisturbed[0])


def test_a_folder_that_is_read_only(tmp_path: Path) -> None:
    """As a user without rights over it; root has all of them, and goes without."""
    place = prepared(tmp_path / "a")
    (place / "scan").mkdir(mode=0o555)
    if os.access(place / "scan", os.W_OK):
        pytest.skip("this user may write everywhere")
    process = start(place)
    told = process.communicate()[1]
    assert process.returncode == 2
    assert "can't be written" in told
    assert not list((place / "scan").iterdir())


@pytest.mark.parametrize("later", [0.0, 0.1, 0.3, 0.6, 0.9])
def test_two_runs_into_one_folder(later: float, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    want, seconds = undisturbed
    place = prepared(tmp_path / "a")
    first = start(place)
    time.sleep(later * seconds)
    second = start(place)
    told = [process.communicate()[1] for process in (first, second)]
    assert 0 in (first.returncode, second.returncode), told
    for process, text in zip((first, second), told, strict=True):
        assert process.returncode == 0 or (process.returncode == 2 and "Another run is writing" in text)
    ends_well(place, want)


@pytest.mark.parametrize("later", [0.2, 0.5, 0.8])
def test_a_run_and_a_compare_beside_it(later: float, tmp_path: Path, undisturbed: tuple[dict[str, str], float]) -> None:
    want, seconds = undisturbed
    place = prepared(tmp_path / "a")
    first = start(place)
    time.sleep(later * seconds)
    beside = start(place, ("compare", "scan.stl", "scan/light-scan.ply"))
    told = beside.communicate()[1]
    assert beside.returncode in (0, 2, 3), told
    assert "Traceback" not in told
    assert first.wait() == 0
    ends_well(place, want)
