"""The campaign: trials in a process apart, so that a hang or a crash is one trial's and not the campaign's."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from tests.campaign.trial import GOOD, KINDS, Trial

ROOT = Path(__file__).resolve().parent.parent.parent


def trials(wanted: Iterable[tuple[str, int]]) -> Iterator[Trial]:
    """The outcome of each (kind, seed); "hang" or "crash" where the process did not live to tell."""
    process = None
    for kind, seed in wanted:
        if process is None:
            process = _started()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(f"{kind} {seed}\n")
        process.stdin.flush()
        answer = process.stdout.readline()
        if answer:
            yield Trial(**json.loads(answer))
            continue
        code = process.wait()
        process = None
        yield Trial(kind, seed, "", "hang" if code in (-27, -14) else "crash", f"status {code}", 0.0, 0.0)
    if process is not None:
        process.communicate()


def _started() -> subprocess.Popen[str]:
    threads = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.campaign.worker"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        stderr=subprocess.DEVNULL, cwd=ROOT, env={**os.environ, **threads},
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def table(made: Iterable[Trial]) -> str:
    """How many of each kind ended how."""
    found = Counter((t.kind, t.verdict) for t in made)
    verdicts = sorted({v for _, v in found}, key=lambda v: (v not in GOOD, v))
    rows = [f"{'kind':<12}" + "".join(f"{v:>16}" for v in verdicts)]
    for kind in sorted({k for k, _ in found}):
        rows.append(f"{kind:<12}" + "".join(f"{found[kind, v]:>16}" for v in verdicts))
    return "\n".join(rows)


def main(first: int, last: int, kinds: list[str]) -> None:
    """Print what goes wrong for the seeds from `first` up to `last`, and the table."""
    made: list[Trial] = []
    try:
        for trial in trials((kind, seed) for seed in range(first, last) for kind in kinds or KINDS):
            made.append(trial)
            if trial.verdict not in GOOD:
                took = f"{trial.seconds:.1f} s {trial.mb:.0f} MB"
                print(f"{trial.kind} {trial.seed} {trial.mutator}: {trial.verdict} {took}; {trial.told}", flush=True)
    finally:
        print(table(made))
        longest = max((t.seconds for t in made), default=0.0)
        print(f"{len(made)} trials, {sum(t.seconds for t in made):.0f} s, longest {longest:.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
