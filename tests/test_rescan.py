"""A part is scanned again: another pose, noise, facet count and gaps. What the job says by numbers lives on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline.formats.names_file import read_names
from pipeline.job import make_job
from sample_meshes.make_scan import Scan, write_ply
from tests.scans import demo_scan
from tests.scorer import score
from tests.stages.test_recover import as_datums


def run(scan: Scan, folder: Path, **settings: object) -> pipeline.Result:
    write_ply(folder / "scan.ply", scan)
    return pipeline.run(make_job({"scan": folder / "scan.ply", **settings}), out=folder / "out", until="frame")


def numbers(scan: Scan, result: pipeline.Result) -> dict[str, str]:
    return {hit.truth: hit.found for hit in score(scan.truth, as_datums(result)).hits}


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, str], dict[str, str], list[pipeline.Result]]:
    folder = tmp_path_factory.mktemp("rescan")
    before, now = demo_scan(120_000, 1), demo_scan(90_000, 5)
    first = run(before, folder)
    mine = numbers(before, first)
    seal, boss = mine["seal bore"], mine["end boss"]
    job = {
        "names": {seal: "seal", "spigot": boss},
        "frame": {"A": mine["foot bottom"], "B": "seal"},
        "caliper": [{"feature": seal, "diameter": 85.0}],
        "refit": [{"feature": boss, "parallel_to": "seal"}],
    }
    results = [run(before, folder, **job)]
    results.append(run(now, folder, **job))
    return mine, numbers(now, results[1]), results


def test_the_faces_of_the_design_keep_their_numbers(
    twice: tuple[dict[str, str], dict[str, str], list[pipeline.Result]],
) -> None:
    mine, other, results = twice
    both = set(mine) & set(other)
    assert len(both) > 8
    assert {name: mine[name] for name in both} == {name: other[name] for name in both}
    assert len({f.id for f in results[1].features}) == len(results[1].features)


def test_names_datums_sizes_and_refits_mean_the_same_faces(
    twice: tuple[dict[str, str], dict[str, str], list[pipeline.Result]],
) -> None:
    mine, other, results = twice
    for result, known in zip(results, (mine, other), strict=True):
        by_id = {f.id: f for f in result.features}
        assert by_id[known["seal bore"]].name == "seal"
        assert by_id[known["end boss"]].name == "spigot"
        assert by_id[known["end boss"]].constraint is not None
        assert [d.feature for d in result.frame.datums][:2] == [known["foot bottom"], known["seal bore"]]
        assert [check.feature for check in result.recover.calipers] == [known["seal bore"]]
        assert result.recover.calipers[0].scanned == pytest.approx(85.0, abs=0.05)


def test_gaps_have_numbers_that_stand_in_the_file(
    twice: tuple[dict[str, str], dict[str, str], list[pipeline.Result]],
) -> None:
    _, _, results = twice
    book = read_names(results[1].out / "names.json")
    placed = {g.id for g in book.gaps if g.centre is not None}
    for result in results:
        large = {gap.id for gap in result.fill.gaps if gap.rim_edges > 16}
        assert large
        assert all(ident.startswith("gap-") and ident[4:].isdigit() for ident in large)
        assert large <= placed
    assert np.all([f.placed for f in book.features])
