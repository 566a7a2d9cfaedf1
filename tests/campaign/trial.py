"""One trial: a command on a mutant, in this process, and what came of it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shutil
import tempfile
import time
import tomllib
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.cli import main as front
from pipeline.cli import terminal
from pipeline.job import Job
from pipeline.meter import Meter
from pipeline.output_folder import MARKER
from tests.campaign.mutators import MUTATORS, mutant, pick
from tests.campaign.seeds import JOB, LEAN, files

# Limits of one trial: processor seconds, and memory beyond what the process had before; both grow with the file.
SECONDS, SECONDS_A_MB = 10.0, 10.0
MEGABYTES, TIMES = 400.0, 200.0

GOOD = ("ran", "refused")


@dataclass(frozen=True)
class Trial:
    """verdict: one of GOOD, or what went wrong; told: the last line of standard error; seconds of processor time."""

    kind: str
    seed: int
    mutator: str
    verdict: str
    told: str
    seconds: float
    mb: float


def command(arguments: list[str]) -> tuple[int, str, str]:
    """(exit status, standard output, standard error) of a command, and the traceback where one came through."""
    out, err = io.StringIO(), io.StringIO()
    status = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            front.main(arguments)
        except SystemExit as error:
            status = error.code if isinstance(error.code, int) else 1
        except BaseException:
            status = -1
            err.write(traceback.format_exc())
    return status, out.getvalue(), err.getvalue()


def judged(status: int, err: str) -> str:
    """The verdict on a command's end: it ran, it refused in one sentence, or it did not do well."""
    lines = err.strip().splitlines() or [""]
    if "Traceback" in err:
        return "traceback"
    if status == terminal.EXIT_FAULT:
        return "fault"
    if status in (0, terminal.EXIT_BUDGET):
        return "ran"
    if status == terminal.EXIT_MEMORY:
        return "out of memory"
    if status != terminal.EXIT_UNUSABLE:
        return f"status {status}"
    told = [k for k, line in enumerate(lines) if line.startswith(("datumlift: ", "Error: "))]
    if len(told) != 1:
        return "no sentence"
    # A job of an older version is answered with the lines to write instead, and they stand below the sentence.
    pasted = "\n".join(lines[told[0] + 1 :])
    if pasted and _is_job(pasted):
        last, ends = lines[told[0]].rstrip(), (":",)
    else:
        last, ends = lines[-1].rstrip(), (".", "?", ")", "SCAN")
    plain = all(c.isprintable() for c in last)
    return "refused" if plain and len(last) <= 900 and last.endswith(ends) else "no sentence"


def _is_job(text: str) -> bool:
    """Whether lines are tables of a job file."""
    try:
        return set(tomllib.loads(text)) <= set(Job.model_fields)
    except tomllib.TOMLDecodeError:
        return False


def measured(kind: str, seed: int, mutator: str, size: int, arguments: list[str]) -> Trial:
    """A trial of one command on a mutant of so many bytes."""
    meter = Meter()
    before = _resident()
    started = time.process_time()
    status, _, err = command(arguments)
    seconds, peak = time.process_time() - started, meter.peak_mb or 0.0
    verdict = judged(status, err)
    if seconds > SECONDS + SECONDS_A_MB * size / 1e6:
        verdict = "too long"
    if peak - before > MEGABYTES + TIMES * size / 1e6:
        verdict = "too much memory"
    told = err[-3000:] if verdict == "traceback" else (err.strip().splitlines() or [""])[-1]
    return Trial(kind, seed, mutator, verdict, told, seconds, peak - before)


def warm_up() -> None:
    """Run each seed as it is, so that no kernel is compiled or loaded in a trial."""
    for name, data in {**files(), "job.toml": JOB.encode()}.items():
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            (folder / "job.toml").write_text(LEAN.format(name=name))
            (folder / "scan.stl").write_bytes(files()["scan.stl"])
            (folder / name).write_bytes(data)
            status, _, err = command(["run", str(folder / "job.toml"), "--quiet"])
            assert status in (0, terminal.EXIT_BUDGET), f"{name}: {err}"


def file_trial(kind: str, seed: int, home: Path | None = None) -> Trial:
    """A run on the mutant of a mesh or of a job file."""
    mutator, data = mutant(kind, seed)
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        (folder / kind).write_bytes(data)
        job = folder / "job.toml"
        if kind == "job.toml":
            (folder / "scan.stl").write_bytes(files()["scan.stl"])
        else:
            job.write_text(LEAN.format(name=kind))
        before = _content(folder)
        trial = measured(kind, seed, mutator, len(data), ["run", str(job), "--quiet"])
        return _touched(trial, folder, before)


STATES = (
    "foreign", "edited", "marker", "datums", "names", "links", "folders", "work flipped", "work gone", "input inside",
    "ladder", "older", "compare",
)  # fmt: skip


def folder_trial(seed: int, home: Path | None = None) -> Trial:
    """A run into an output folder that is in some state: the user's own files, damage, links, what a kill left."""
    random = np.random.default_rng([77, seed])
    state = pick(random, STATES)
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        (folder / "scan.stl").write_bytes(files()["scan.stl"])
        (folder / "job.toml").write_text(LEAN.format(name="scan.stl"))
        out = folder / "scan"
        if state != "foreign":
            shutil.copytree(_finished(), out)
        arguments = ["run", str(folder / "job.toml"), "--quiet", "--out", str(out), "--facets", "300"]
        arguments = _arrange(state, folder, out, random) or arguments
        before = _content(folder) if state in ("foreign", "older", "compare") else _mine(folder, out)
        trial = _touched(measured("folder", seed, state, 40_000, arguments), folder, before)
        left = [path.name for path in out.glob(".making-*")]
        if left:
            return Trial("folder", seed, state, "left over", str(left), trial.seconds, trial.mb)
        return trial


def _arrange(state: str, folder: Path, out: Path, random: np.random.Generator) -> list[str] | None:
    """Put the folder into the state; a command of its own where it has one."""
    names = sorted(p.relative_to(_finished()).as_posix() for p in _finished().rglob("*") if p.is_file())
    some = [pick(random, names) for _ in range(int(random.integers(1, 4)))]
    if state == "foreign":
        for name in [*some, "diary.txt"]:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_text(f"mine, {name}")
    elif state == "edited":
        for name in some:
            (out / name).write_bytes(pick(random, (b"mine", b"", random.bytes(3000), (out / name).read_bytes() + b"#")))
    elif state == "marker":
        marker = pick(random, (out / MARKER, out / "work" / MARKER))
        text = marker.read_text()
        (out / "diary.txt").write_text("dear diary")
        changed = text.replace('"features.csv"', '"diary.txt"', 1).replace('"work/read.npz"', '"../scan.stl"', 1)
        marker.write_text(pick(random, (changed, text[: len(text) // 2], "[]", "{}", "null", "[" * 90_000)))
    elif state in ("datums", "names"):
        path = out / f"{state}.json"
        from tests.campaign.mutators import blind, json_tree

        path.write_bytes(pick(random, (json_tree, json_tree, blind))(path.read_bytes(), random))
        if state == "datums" and random.random() < 0.5:
            return pick(random, (["solid", str(out)], ["new", str(folder / "scan.stl"), "--out", str(out)]))
    elif state == "links":
        (folder / "elsewhere").mkdir()
        for name in set(some):
            (folder / "elsewhere" / Path(name).name).write_text(f"mine, {name}")
            (out / name).unlink()
            if random.random() < 0.5:
                (out / name).symlink_to(folder / "elsewhere" / Path(name).name)
            else:
                os.link(folder / "elsewhere" / Path(name).name, out / name)
    elif state == "folders":
        for name in set(some):
            (out / name).unlink()
            (out / name).mkdir()
            (out / name / "mine").write_text("mine")
    elif state == "work flipped":
        for path in sorted((out / "work").glob("*")):
            if random.random() < 0.4:
                made = bytearray(path.read_bytes())
                for _ in range(int(random.integers(1, 6))):
                    made[int(random.integers(len(made)))] ^= 1 << int(random.integers(8))
                path.write_bytes(made[: int(len(made) * pick(random, (1, 1, 0.5)))])
    elif state == "work gone":
        for path in sorted((out / "work").glob("*")):
            if random.random() < 0.4:
                path.unlink()
        (out / "work" / ".partial-mine").mkdir()
        (out / "work" / ".partial-mine" / "mine.txt").write_text("mine")
        (out / "work" / ".lock").write_text("mine")
    elif state == "input inside":
        name = pick(random, ("light.stl", "light.ply", "light-scan.ply"))
        scan = out / name
        if random.random() < 0.5:
            scan = folder / f"link{scan.suffix}"
            pick(random, (os.symlink, os.link))(out / name, scan)
        return ["run", str(scan), "--quiet", "--out", str(out)]
    elif state == "ladder":
        (out / "ladder.svg").write_text("<svg onload=alert(1)><script>alert(1)</script></svg>")
        (out / "ladder.csv").write_text("mine")
        return ["ladder", str(folder / "scan.stl"), "--counts", "200,400", "--quiet"]
    elif state == "older":
        (out / MARKER).unlink()
        (out / "work" / MARKER).unlink()
    else:
        return [
            "compare",
            str(folder / "scan.stl"),
            str(out / pick(random, ("light.stl", "light-scan.ply"))),
            "--quiet",
        ]
    return None


_made: list[Path] = []


def _finished() -> Path:
    """An output folder as a run leaves it; made once."""
    if not _made:
        home = Path(tempfile.mkdtemp(prefix="campaign-"))
        (home / "scan.stl").write_bytes(files()["scan.stl"])
        (home / "job.toml").write_text(LEAN.format(name="scan.stl"))
        status, _, err = command(["run", str(home / "job.toml"), "--quiet"])
        assert status == 0, err
        _made.append(home / "scan")
    return _made[0]


def _content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != MARKER
    }


def _mine(folder: Path, out: Path) -> dict[str, bytes]:
    """All files but those that are as the finished run left them."""
    ours = _content(_finished())
    found = _content(folder)
    return {k: v for k, v in found.items() if ours.get(k.removeprefix(f"{out.name}/")) != v}


def _touched(trial: Trial, folder: Path, before: dict[str, bytes]) -> Trial:
    """Whether what was there and not ours is still somewhere in the folder, to the last byte."""
    now = _content(folder)
    there = list(now.values())
    gone = [name for name, data in before.items() if now.get(name) != data and data not in there]
    if not gone or trial.verdict not in GOOD:
        return trial
    return Trial(trial.kind, trial.seed, trial.mutator, "lost", ", ".join(gone), trial.seconds, trial.mb)


def _resident() -> float:
    found = (
        re.search(r"VmRSS:\s+(\d+)", Path("/proc/self/status").read_text()) if os.path.exists("/proc/self") else None
    )
    return int(found.group(1)) * 1024 / 1e6 if found else 0.0


KINDS = (*MUTATORS, "folder")


def trial(kind: str, seed: int) -> Trial:
    """The trial of a kind, a seed file's name or "folder", by its number; the same every time."""
    return folder_trial(seed) if kind == "folder" else file_trial(kind, seed)
