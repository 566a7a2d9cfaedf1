"""One trial: a command on a mutant, in this process, and what came of it."""

from __future__ import annotations

import atexit
import contextlib
import dataclasses
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
from tests.campaign.command_lines import command_line
from tests.campaign.layouts import LAYOUTS, datum_tree, layout_figures, layout_joined, layout_words, scan_list
from tests.campaign.mutators import MUTATORS, blind, json_tree, lines, mutant, pick, ply_header, tokens, toml_values
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
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        _beside(folder)
        scan, drum, layout = str(folder / "scan.stl"), str(folder / "drum"), folder / "layout.toml"
        for text in LAYOUTS:
            layout.write_text(text)
            status, _, err = command(["fit", str(layout), "--quiet"])
            assert status in (0, terminal.EXIT_BUDGET), f"{err} {text}"
        for words in (["compare", scan, f"{drum}/light.stl", "--align"], ["solid", drum]):
            status, _, err = command([*words, "--quiet"])
            assert status in (0, terminal.EXIT_BUDGET), err


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


def _beside(folder: Path) -> None:
    """What a layout or a list may lead to: scans, one of them broken, a run, links in a circle, a pipe."""
    data = files()["scan.stl"]
    (folder / "sub").mkdir()
    for name in ("scan.stl", "second.stl", "sub/scan.stl", "=1+1.stl"):
        (folder / name).write_bytes(data if name != "second.stl" else data[:84] + data[134:] + data[84:134])
    (folder / "broken.stl").write_bytes(data[:1000])
    (folder / "wide.step").write_text(
        "ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\n#1=CARTESIAN_POINT('',(1.E400,0.,0.));\nENDSEC;\n"
    )
    for name in ("loop", "loop.stl"):
        (folder / name).symlink_to(name)
    (folder / "link.stl").symlink_to("scan.stl")
    for name in ("pipe", "pipe.stl"):
        os.mkfifo(folder / name)
    (folder / "job.toml").write_text(LEAN.format(name="scan.stl"))
    shutil.copytree(_finished(), folder / "drum")


def layout_trial(seed: int, home: Path | None = None) -> Trial:
    """A fit on the mutant of a layout; now and then the check of a rescan against it."""
    random = np.random.default_rng([78, seed])
    mutate = pick(random, (layout_figures,) * 12 + (layout_words,) * 4 + (layout_joined, tokens, lines, blind))
    data = mutate(pick(random, LAYOUTS).encode(), random)
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        _beside(folder)
        (folder / "layout.toml").write_bytes(data)
        words = ["fit", str(folder / "layout.toml")]
        if random.random() < 0.15:
            words = [
                "check",
                str(folder / "layout.toml"),
                str(folder / pick(random, ("scan.stl", "drum", "broken.stl"))),
            ]
        before = _content(folder)
        return _touched(measured("layout.toml", seed, mutate.__name__, 100_000, [*words, "--quiet"]), folder, before)


def list_trial(seed: int, home: Path | None = None) -> Trial:
    """A batch of what a list names, or of the folder that holds it."""
    random = np.random.default_rng([79, seed])
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        _beside(folder)
        (folder / "list.txt").write_bytes(scan_list(b"", random))
        words = ["batch", str(folder / "list.txt"), "--job", str(folder / "job.toml")]
        if random.random() < 0.3:
            words[3] = str(folder / "job.toml")
            (folder / "job.toml").write_bytes(toml_values(LEAN.format(name="scan.stl").encode(), random))
        if random.random() < 0.15:
            out = folder / pick(random, ("sub", "out", "scan.stl", "loop", "."))
            words += ["--out", str(out)]
        if odd := random.random() < 0.25:
            words = command_line(folder, random, "batch")
        before = _mine(folder, folder / "drum")
        if not any(word.startswith("--scheduler") for word in words):
            words += ["--scheduler", _scheduler()]
        with contextlib.chdir(folder):
            made = measured("list.txt", seed, "batch" if odd else "scan_list", 500_000, [*words, "--quiet"])
        if made.verdict == "no sentence" and not made.told:  # the batch's own files tell of each scan
            made = dataclasses.replace(made, verdict="ran")
        return _touched(made, folder, before)


def compare_trial(seed: int, home: Path | None = None) -> Trial:
    """A comparison of a mutant with a sound mesh, or the other way about."""
    random = np.random.default_rng([80, seed])
    kind = pick(random, [kind for kind in MUTATORS if kind != "job.toml"])
    mutator, data = mutant(kind, seed)
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        (folder / "scan.stl").write_bytes(files()["scan.stl"])
        (folder / f"b-{kind}").write_bytes(data)
        pair = [str(folder / "scan.stl"), str(folder / f"b-{kind}")]
        options = [option for option in ("--align", "--json") if random.random() < 0.4]
        before = _content(folder)
        words = ["compare", *pair[:: pick(random, (1, -1))], *options, "--quiet"]
        return _touched(measured("compare", seed, mutator, 2 * len(data), words), folder, before)


def solid_trial(seed: int, home: Path | None = None) -> Trial:
    """A solid of the folder of a run whose datum file, light mesh or results are not what the run left."""
    random = np.random.default_rng([81, seed])
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place)
        out = folder / "scan"
        shutil.copytree(_finished(), out)
        (folder / "scan.stl").write_bytes(files()["scan.stl"])
        name = pick(
            random,
            (
                "datums.json",
                "datums.json",
                "light.ply",
                "job.toml",
                *(f"work/{p.name}" for p in sorted((out / "work").glob("*.npz"))),
            ),
        )
        mutate = pick(
            random,
            (json_tree, datum_tree, datum_tree)
            if name.endswith("json")
            else (blind, ply_header)
            if name.endswith("ply")
            else (blind,),
        )
        data = (out / name).read_bytes()
        (out / name).write_bytes(mutate(data, random))
        before = _mine(folder, out)
        options = pick(
            random, ([], ["--skin", pick(random, ("0.2", "1e-9", "1e9", "nan", "-1"))], ["--schema", "AP214"])
        )
        words = ["solid", str(out), "--quiet", *options]
        return _touched(
            measured("solid", seed, f"{name} {mutate.__name__}", len(data) + 200_000, words), folder, before
        )


def line_trial(seed: int, home: Path | None = None) -> Trial:
    """A command line of odd words, in a folder that holds something of each sort."""
    random = np.random.default_rng([82, seed])
    with tempfile.TemporaryDirectory(dir=home) as place:
        folder = Path(place) / "here" / "and there"
        folder.mkdir(parents=True)
        _beside(folder)
        (folder / "layout.toml").write_text(pick(random, LAYOUTS))
        (folder / "list.txt").write_text("scan.stl\nbroken.stl\n")
        words = command_line(folder, random)
        before = _mine(folder, folder / "drum")
        with contextlib.chdir(folder):
            made = measured("line", seed, words[0], 500_000, words)
        if made.verdict not in GOOD:
            made = dataclasses.replace(made, told=f"{words} {made.told}")
        return _touched(made, folder, before)


_serving: list[str] = []


def _scheduler() -> str:
    """The address of a Dask scheduler with one worker in a process of its own; started once."""
    if not _serving:
        from distributed import LocalCluster

        cluster = LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None, silence_logs=50)
        atexit.register(cluster.close)
        _serving.append(cluster.scheduler_address)
    return _serving[0]


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


KINDS = (*MUTATORS, "folder", "layout.toml", "list.txt", "compare", "solid", "line")


def trial(kind: str, seed: int) -> Trial:
    """The trial of a kind, a seed file's name or one of the other KINDS, by its number; the same every time."""
    other = {
        "folder": folder_trial, "layout.toml": layout_trial, "list.txt": list_trial, "compare": compare_trial,
        "solid": solid_trial, "line": line_trial,
    }  # fmt: skip
    return other[kind](seed) if kind in other else file_trial(kind, seed)
