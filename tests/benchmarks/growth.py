"""How each stage's processor time and memory grow with the facets of a scan, measured and drawn.

    python -m tests.benchmarks.growth 4e6 FOLDER

runs the demo's scan of 200,000 facets and of four times as many each time up to the count that is given, each in a
process of its own, and writes `growth.csv` and `growth.svg` into the folder, anew after each. Kernels must be
compiled: a small run goes before. Processor seconds are those of all threads of the process, user and system
(`time.process_time`), memory is the largest resident set while the stage ran.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log10
from pathlib import Path

import numpy as np

from pipeline.palette import css
from pipeline.progress import Progress, silent
from pipeline.runner import run
from sample_meshes.make_scan import make_scan, write_stl

FEWEST, STEP = 200_000, 4.0
WHOLE = "whole run"


@dataclass(frozen=True)
class Point:
    """What one stage took of a scan of so many facets: processor seconds, MB."""

    stage: str
    facets: int
    seconds: float
    peak_mb: float


def sizes(most: float) -> list[int]:
    """Facets from 200,000 up to `most`, each about four times the one before."""
    steps = max(1, round(np.log(most / FEWEST) / np.log(STEP)))
    return [round(count) for count in np.geomspace(FEWEST, most, steps + 1)]


def measured(facets: int) -> list[Point]:
    """Each stage of a run on the demo's scan, in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        scan = Path(folder) / "scan.stl"
        write_stl(scan, make_scan(facets=facets, seed=1))
        told = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.growth", "one", str(scan)], check=True, capture_output=True
        ).stdout
    return [Point(**one) for one in json.loads(told)]


def _one(scan: Path) -> None:
    """Run a scan and print what each stage took."""
    taken: dict[str, float] = {}

    @contextlib.contextmanager
    def watch(stage: str) -> Iterator[Progress]:
        before = time.process_time()
        yield silent
        taken[stage] = time.process_time() - before

    made = run(scan, out=scan.with_suffix(""), progress=watch)
    count = made.source.facets
    points = [Point(s.name, count, taken[s.name], s.peak_mb or 0.0) for s in made.stages]
    points.append(Point(WHOLE, count, time.process_time(), max(p.peak_mb for p in points)))
    print(json.dumps([vars(p) for p in points]))


def exponents(points: Sequence[Point]) -> dict[str, tuple[float, float]]:
    """Of each stage the exponent with which its seconds grow, least squares over all sizes, and over the last step.

    What a stage takes whatever the size makes the former small; the latter shows what is to come.
    """
    out = {}
    for stage in dict.fromkeys(p.stage for p in points):
        mine = [p for p in points if p.stage == stage]
        facets, seconds = np.log([p.facets for p in mine]), np.log([max(p.seconds, 1e-3) for p in mine])
        last = (seconds[-1] - seconds[-2]) / (facets[-1] - facets[-2])
        out[stage] = (float(np.polyfit(facets, seconds, 1)[0]), float(last))
    return out


def as_csv(points: Sequence[Point]) -> str:
    """One row a stage and size."""
    rows = [f"{p.stage},{p.facets},{p.seconds:.2f},{p.peak_mb:.0f}" for p in points]
    return "\n".join(["stage,facets,processor_seconds,peak_mb", *rows]) + "\n"


def as_svg(points: Sequence[Point]) -> str:
    """Processor seconds and memory against facets, side by side, all axes logarithmic; a curve a stage."""
    grown = exponents(points)
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1240 460" font-family="sans-serif" font-size="12">',
        f'<rect width="1240" height="460" fill="{css("paper")}"/>',
    ]
    for left, title, field in ((70, "processor seconds", "seconds"), (690, "largest resident memory, MB", "peak_mb")):
        parts += _chart(points, grown, left, title, field)
    return "\n".join([*parts, "</svg>"]) + "\n"


def _chart(
    points: Sequence[Point], grown: dict[str, tuple[float, float]], left: int, title: str, field: str
) -> Iterator[str]:
    width, top, bottom = 360, 40, 410
    ink, rule = css("ink"), css("rule")
    values = [max(getattr(p, field), 0.01) for p in points]
    low_x, high_x = log10(min(p.facets for p in points)), log10(max(p.facets for p in points))
    low_y, high_y = np.floor(log10(min(values))), np.ceil(log10(max(values)))

    def at(facets: float, value: float) -> tuple[float, float]:
        x = left + (log10(facets) - low_x) / (high_x - low_x) * width
        return x, bottom - (log10(max(value, 0.01)) - low_y) / (high_y - low_y) * (bottom - top)

    yield f'<text x="{left}" y="{top - 16}" fill="{ink}">{title}</text>'
    yield f'<path d="M{left} {top}V{bottom}H{left + width}" fill="none" stroke="{ink}"/>'
    for power in range(int(low_y), int(high_y) + 1):
        y = at(points[0].facets, 10.0**power)[1]
        yield f'<path d="M{left} {y:.1f}H{left + width}" stroke="{rule}"/>'
        yield f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{10.0**power:g}</text>'
    for facets in sorted({p.facets for p in points}):
        x = at(facets, 1.0)[0]
        yield f'<text x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">{facets / 1e6:.3g} M</text>'
    ends: list[float] = []
    stages = list(dict.fromkeys(p.stage for p in points))
    last = {s: [p for p in points if p.stage == s] for s in stages}
    for number, stage in enumerate(sorted(stages, key=lambda s: -getattr(last[s][-1], field))):
        mine = [at(p.facets, getattr(p, field)) for p in last[stage]]
        colour = css("curve of the largest") if stage == WHOLE else css("curve of most")
        dashes = "" if stage == WHOLE else f' stroke-dasharray="{3 + 3 * (number % 4)} {2 + number // 4}"'
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in mine)
        yield f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"{dashes}/>'
        ends.append(max(mine[-1][1], ends[-1] + 14.0) if ends else mine[-1][1])
        told = f"{stage}, exponent {grown[stage][0]:.2f}, last {grown[stage][1]:.2f}" if field == "seconds" else stage
        yield f'<text x="{left + width + 8}" y="{ends[-1] + 4:.1f}" fill="{ink}">{told}</text>'


def measure(most: float, folder: Path) -> list[Point]:
    """All sizes up to `most`, and the table and the chart of them in a folder, anew after each size."""
    measured(20_000)
    folder.mkdir(parents=True, exist_ok=True)
    points: list[Point] = []
    for number, facets in enumerate(sizes(most)):
        points += measured(facets)
        (folder / "growth.csv").write_text(as_csv(points), encoding="utf-8")
        if number:
            (folder / "growth.svg").write_text(as_svg(points), encoding="utf-8")
    return points


if __name__ == "__main__":
    if sys.argv[1] == "one":
        _one(Path(sys.argv[2]))
    else:
        for name, (all_sizes, last_step) in exponents(measure(float(sys.argv[1]), Path(sys.argv[2]))).items():
            print(f"{name}: exponent {all_sizes:.2f}, over the last step {last_step:.2f}")
