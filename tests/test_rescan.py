"""A part is scanned again: another pose, noise, facet count and gaps. What the job says by numbers lives on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

import pipeline
from pipeline.formats.names_file import read_names
from pipeline.job import make_job
from pipeline.values import Feature, Frame, Gap, NameBook, SizeCheck
from sample_meshes.make_scan import Scan, write_ply
from tests.scans import demo_scan
from tests.scorer import score
from tests.stages.test_recover import as_datums


@dataclass(frozen=True)
class Told:
    """What a run told, taken before the next one into the folder: truth is the number by the design's name."""

    truth: dict[str, str]
    features: tuple[Feature, ...]
    frame: Frame
    measured: tuple[SizeCheck, ...]
    gaps: tuple[Gap, ...]
    book: NameBook


def run(scan: Scan, folder: Path, **settings: object) -> Told:
    write_ply(folder / "scan.ply", scan)
    job = make_job({"scan": folder / "scan.ply", **settings})
    result = pipeline.run(job, out=folder / "out", until="frame")
    truth = {hit.truth: hit.found for hit in score(scan.truth, as_datums(result)).hits}
    book = read_names(folder / "out" / "names.json")
    return Told(truth, result.features, result.frame, result.recover.measured, result.fill.gaps, book)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Told, Told]:
    """A scan and a rescan into one folder, with a job written after a first run."""
    folder = tmp_path_factory.mktemp("rescan")
    before, now = demo_scan(120_000, 1), demo_scan(90_000, 5)
    mine = run(before, folder).truth
    seal, boss = mine["seal bore"], mine["end boss"]
    job = {
        "names": {seal: "seal", "spigot": boss},
        "frame": {"A": mine["foot bottom"], "B": "seal"},
        "measured": [{"what": "diameter", "features": seal, "value": 85.0, "uncertainty": 0.01}],
        "refit": [{"feature": boss, "parallel_to": "seal"}],
    }
    return run(before, folder, **job), run(now, folder, **job)


def test_the_faces_of_the_design_keep_their_numbers(told: tuple[Told, Told]) -> None:
    mine, other = (one.truth for one in told)
    both = set(mine) & set(other)
    assert len(both) > 8
    assert {name: mine[name] for name in both} == {name: other[name] for name in both}
    assert len(told[0].features) != len(told[1].features)  # another scan it was
    assert len({f.id for f in told[1].features}) == len(told[1].features)


def test_names_datums_sizes_and_refits_mean_the_same_faces(told: tuple[Told, Told]) -> None:
    for one in told:
        by_id = {f.id: f for f in one.features}
        seal, boss = one.truth["seal bore"], one.truth["end boss"]
        assert (by_id[seal].name, by_id[boss].name) == ("seal", "spigot")
        assert by_id[boss].constraint is not None
        assert [d.feature for d in one.frame.datums][:2] == [one.truth["foot bottom"], seal]
        assert [check.feature for check in one.measured] == [seal]
        assert one.measured[0].scanned == pytest.approx(85.0, abs=0.05)


def test_gaps_have_numbers_that_stand_in_the_file(told: tuple[Told, Told]) -> None:
    placed = {g.id for g in told[1].book.gaps if g.centre is not None}
    for one in told:
        assert all(gap.id.startswith("gap-") and gap.id[4:].isdigit() for gap in one.gaps)
        large = {gap.id for gap in one.gaps if gap.rim_edges > 16 or gap.kind == "blind"}
        assert large
        assert large <= placed
    assert all(f.placed for f in told[1].book.features)
