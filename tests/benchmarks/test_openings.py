"""Scans of two generators and of open CAD parts: no real opening is closed, and nearly all of clamps' marks are.

Each has three real openings at least, bores, ports and slots of whose walls much was not seen, and six marks within
faces or smooth skin. The truth is the exact part: nothing may be put into the air (`tests.holed`).

Run with: pytest -m slow tests/benchmarks/test_openings.py -s
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from pipeline import run
from pipeline.formats.meshes_out import write_stl
from pipeline.job import Job
from tests.holed import HoledScan, holed_demo, holed_part, holed_scan, judged

pytestmark = pytest.mark.slow

SCANS: dict[str, Callable[[], HoledScan]] = {
    **{f"implicit {seed}": partial(holed_scan, seed, 1.0, None) for seed in range(120, 130)},
    "demo": partial(holed_demo, 1),
    **{f"demo, design {k}": partial(holed_demo, 40 + k, design=k) for k in range(1, 9)},
    # Name, scale that makes it a casting's size, mm of edge.
    "bored housing": partial(holed_part, "t13_data.stl", 1.0, 0.5, 1),
    "bracket": partial(holed_part, "nema-17-bracket.step", 1.0, 0.22, 1),
    "crank arm": partial(holed_part, "CrankArm.brep", 1.0, 0.44, 1),
    "link rod": partial(holed_part, "linkrods.step", 25.4, 0.5, 1),
    "wide housing": partial(holed_part, "TR12J_OCC.stl", 1.0, 3.35, 1),
    "piston": partial(holed_part, "sh1.stl", 1.0, 0.5, 1),
}


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple]:
    out = {}
    for name, make in SCANS.items():
        scan = make()
        folder = tmp_path_factory.mktemp("scan")
        write_stl(folder / "scan.stl", scan.vertices, scan.faces, "mm")
        result = run(Job(scan=Path(folder / "scan.stl")), out=folder / "out", until="fill").fill
        found = judged(scan, result)
        print(f"\n{name}: {len(scan.faces):,} facets, {scan.openings} openings, {found}")
        out[name] = (scan, found)
    return out


def test_nothing_is_put_into_a_real_opening(outcome: dict[str, tuple]) -> None:
    assert len(outcome) == 25
    assert {name: scan.openings for name, (scan, _) in outcome.items() if scan.openings < 3} == {}
    assert {name: found.sealed for name, (_, found) in outcome.items() if found.sealed > 0.0} == {}


def test_marks_within_faces_are_closed(outcome: dict[str, tuple]) -> None:
    closed, marks = Counter(), Counter()
    for _, found in outcome.values():
        closed.update(found.closed)
        marks.update(found.marks)
    print(f"\nmarks closed {dict(closed)} of {dict(marks)}")
    assert sum(marks.values()) >= 6 * len(outcome) - 3
    assert closed["face"] >= 0.95 * marks["face"]


def test_every_large_closing_is_explained(outcome: dict[str, tuple]) -> None:
    assert {name: found.large for name, (_, found) in outcome.items() if found.large} == {}
