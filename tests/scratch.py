"""A scratch copy of the project, to be changed as a contributor would, with the kernels that are compiled already."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline import kernel_cache

ROOT = Path(__file__).resolve().parent.parent
_PARTS = ("pipeline", "sample_meshes", "tests", "configs", "pyproject.toml", "README.md", "DEVELOPERS.md")
_STEP = re.compile(r"^(Write|Copy|In|Run)\b")


@dataclass(frozen=True)
class Step:
    """One thing that a recipe says to do.

    what  "write" | "copy" | "below" | "above" | "instead of" | "run"
    path  of the file that is written, changed or copied
    line  the line beside which, or in whose place, `text` goes; of a copy where to
    """

    what: str
    path: str
    line: str
    text: str


def scratch_copy(folder: Path) -> Path:
    """Copy the project into `folder`, file times kept, and hand its compiled kernels over; the copy's root."""
    root = folder / "project"
    for part in _PARTS:
        source = ROOT / part
        if source.is_dir():
            shutil.copytree(source, root / part, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy2(source, root / part)
    _hand_over_kernels(root / "pipeline")
    return root


def _hand_over_kernels(package: Path) -> None:
    """numba files a kernel under a digest of its folder's path: the copy's kernels get the copy's digests."""
    compiled = Path(os.environ["NUMBA_CACHE_DIR"])
    mine = {_filed(path): _filed(package / path.relative_to(ROOT / "pipeline")) for path in _folders(ROOT / "pipeline")}
    copied = kernel_cache.PREFIX + hashlib.sha256(str(package).encode()).hexdigest()[:8]
    target = package / "__pycache__" / f"{copied}-handed"
    for old, new in mine.items():
        if (compiled / old).is_dir():
            shutil.copytree(compiled / old, target / new, copy_function=shutil.copy2)
    if target.is_dir():
        closures = kernel_cache.closures_of(package, package.parent / "sample_meshes")
        (target / "closures.json").write_text(json.dumps(closures))


@contextmanager
def kernels_carried_over(root: Path) -> Iterator[None]:
    """While this lasts, the copy as it is now has all kernels of the state that ran last, as links to these.

    For a change of what no kernel calls or reads: to the cache a kernel's file is another one as soon as anything that
    it imports is.
    """
    package = root / "pipeline"
    state = kernel_cache._digest(kernel_cache._files(package, root / "sample_meshes"))
    before = max((package / "__pycache__").glob(kernel_cache.PREFIX + "*"), key=lambda folder: folder.stat().st_mtime)
    now = before.with_name(f"{before.name.rpartition('-')[0]}-{state}")
    shutil.copytree(before, now, copy_function=os.link)
    try:
        yield
    finally:
        shutil.rmtree(now)


def _folders(package: Path) -> list[Path]:
    return [package, *(p for p in package.rglob("*") if p.is_dir() and p.name != "__pycache__")]


def _filed(folder: Path) -> str:
    return f"{folder.name}_{hashlib.sha1(str(folder).encode()).hexdigest()}"


def recipe(title: str) -> list[Step]:
    """The steps of the section of DEVELOPERS.md that has this title, in order."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(rf"^### {re.escape(title)}\n(.*?)(?=^##|\Z)", text, re.DOTALL | re.MULTILINE)
    assert section, f"DEVELOPERS.md has no recipe {title!r}"
    lines = section[1].splitlines()
    steps, inside = [], False
    for number, line in enumerate(lines):
        inside ^= line.startswith("```")
        if not inside and _STEP.match(line):
            steps.append(_step(lines, number))
    return steps


def _step(lines: list[str], number: int) -> Step:
    sentence = " ".join([lines[number], *_rest_of(lines, number + 1)])
    quoted = [*re.findall(r"`([^`]+)`", sentence), "", ""]
    what = {"Write": "write", "Copy": "copy", "Run": "run"}.get(sentence.split()[0])
    if what is None:
        what = next(word for word in ("below", "above", "instead of") if f", {word} " in sentence)
    return Step(what, quoted[0], quoted[1], "".join(line + "\n" for line in _block_after(lines, number + 1)))


def _rest_of(lines: list[str], start: int) -> list[str]:
    """The further lines of a sentence, up to an empty one or the next step."""
    out = []
    for line in lines[start:]:
        if not line.strip() or line.startswith("```"):
            break
        out.append(line.strip())
    return out


def _block_after(lines: list[str], start: int) -> list[str]:
    """The fenced block that belongs to a step; empty where the next step comes first."""
    for number in range(start, len(lines)):
        if _STEP.match(lines[number]):
            return []
        if lines[number].startswith("```"):
            end = next(k for k in range(number + 1, len(lines)) if lines[k] == "```")
            return lines[number + 1 : end]
    return []


def follow(root: Path, steps: list[Step]) -> list[subprocess.CompletedProcess[str]]:
    """Do what a recipe says in the scratch copy, to the letter; what its commands gave."""
    done = []
    for step in steps:
        path = root / step.path
        if step.what == "write":
            assert not path.exists(), f"{step.path} is there already"
            path.write_text(step.text, encoding="utf-8")
        elif step.what == "copy":
            copy_kind(path, root / step.line)
        elif step.what == "run":
            done += [run(root, line) for line in step.text.splitlines()]
        else:
            _change(path, step)
    return done


def copy_kind(test_file: Path, target: Path) -> None:
    """What stands between the two lines of a test file, and the imports above them, as a file of its own."""
    head, kind, _ = re.split(r"^# -{20,}.*\n", test_file.read_text(encoding="utf-8"), flags=re.MULTILINE)
    imports = [line for line in head.splitlines() if line.startswith(("import ", "from "))]
    target.write_text('"""An elliptic cylinder."""\n\n' + "\n".join([*imports, kind]), encoding="utf-8")


def _change(path: Path, step: Step) -> None:
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    places = [k for k, line in enumerate(lines) if line.strip().rstrip(":") == step.line.strip().rstrip(":")]
    assert len(places) == 1, f"{step.path} has the line {step.line!r} {len(places)} times"
    at = places[0]
    if step.what == "instead of":
        lines[at] = step.text
    else:
        lines.insert(at + (step.what == "below"), step.text)
    path.write_text("".join(lines), encoding="utf-8")


def run(root: Path, line: str, seconds: float = 1800.0) -> subprocess.CompletedProcess[str]:
    """A `datumlift ...` or `python ...` line, with the scratch copy's package in place of the installed one."""
    words = shlex.split(line)
    if words[0] == "datumlift":
        words = [sys.executable, "-m", "pipeline.cli", *words[1:]]
    elif words[0] == "python":
        words = [sys.executable, *words[1:]]
    surroundings = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    return subprocess.run(
        words,
        cwd=root,
        capture_output=True,
        text=True,
        env={**surroundings, "PYTHONPATH": str(root)},
        timeout=seconds,
    )
