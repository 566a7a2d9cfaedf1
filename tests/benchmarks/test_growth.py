"""Time and memory in proportion to the scan: the exponent of each stage from 0.2 M facets on.

Bounds of the job: no stage's processor time grows by more than the power 1.1 of the facets. Up to 4 million here;
`python -m tests.benchmarks.growth 2e7 FOLDER` goes on, which takes some ten minutes and 3 GB more. A single step may
be off by what else the machine does, so that it is the fit over all that is held.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.growth import Point, exponents, measure, sizes

MOST = 4e6


def test_exponents_are_those_of_a_power() -> None:
    points = [Point("read", n, 1e-6 * n**1.5, 1.0) for n in sizes(MOST)]
    assert exponents(points)["read"] == pytest.approx((1.5, 1.5))


@pytest.mark.slow
def test_no_stage_grows_faster_than_the_scan(tmp_path: Path) -> None:
    points = measure(MOST, tmp_path)
    grown = exponents(points)
    for stage, (overall, last) in grown.items():
        mine = [p for p in points if p.stage == stage]
        seconds = ", ".join(f"{p.seconds:.1f} s" for p in mine)
        print(f"{stage}: {seconds}; exponent {overall:.2f}, over the last step {last:.2f}; {mine[-1].peak_mb:.0f} MB")
    assert (tmp_path / "growth.svg").stat().st_size > 1000
    assert max(overall for overall, _ in grown.values()) <= 1.1
