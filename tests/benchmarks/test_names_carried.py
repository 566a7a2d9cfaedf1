"""How many numbers a rescan of the demo part keeps, and that none goes to another feature.

Each rescan has noise, gaps and a pose of its own, and another facet count. Truth: the generator's, by two ways: the
faces of the design that were found in both scans, and, for all numbers that went over, whether the feature of the scan
before, moved by the exact motion between both scans, lies on the one that has its number now.

Run with: pytest -m slow tests/benchmarks/test_names_carried.py -s
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import RecoverResult
from sample_meshes.make_scan import Scan, write_ply
from tests.scans import demo_scan
from tests.scorer import score

pytestmark = pytest.mark.slow

FIRST = (200_000, 1)
SEEDS, FACETS = (21, 22, 23), (60_000, 120_000, 240_000)
ON_IT = 0.5  # mm: a number's feature lies on that of the scan before, extrapolated over what both saw of it


def recovered(scan: Scan, folder: Path, names: Path | None = None) -> RecoverResult:
    folder.mkdir()
    write_ply(folder / "scan.ply", scan)
    if names is not None:
        (folder / "out").mkdir()
        shutil.copy(names, folder / "out")
    return pipeline.run(folder / "scan.ply", out=folder / "out", until="recover").recover


def truth_of(scan: Scan, found: RecoverResult) -> dict[str, str]:
    """Number by the design's name of the face."""
    features = [
        {
            "id": f.id, "kind": f.kind, "side": f.side, "point": f.point, "direction": f.direction,
            "radius": f.radius, "half_angle": None if f.half_angle is None else np.degrees(f.half_angle),
        }
        for f in found.features
    ]  # fmt: skip
    return {hit.truth: hit.found for hit in score(scan.truth, {"features": features}).hits}


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scan, RecoverResult, Path]:
    folder = tmp_path_factory.mktemp("first") / "scan"
    scan = demo_scan(*FIRST)
    return scan, recovered(scan, folder), folder / "out" / "names.json"


@pytest.mark.parametrize("facets", FACETS)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_rescan_keeps_the_numbers(
    first: tuple[Scan, RecoverResult, Path], seed: int, facets: int, tmp_path: Path
) -> None:
    before, was, names = first
    scan = demo_scan(facets, seed)
    found = recovered(scan, tmp_path / "scan", names)
    mine, other = truth_of(before, was), truth_of(scan, found)
    both = [name for name in mine if name in other]
    kept = [name for name in both if mine[name] == other[name]]
    known = {f.id: f for f in was.features}
    wrong = [name for name in both if mine[name] != other[name] and other[name] in known]
    motion = scan.to_scan @ np.linalg.inv(before.to_scan)
    entries = {entry.id: entry for entry in was.book.features}
    astray = []
    for feature in found.features:
        if feature.id in known:
            seen = entries[feature.id].seen @ motion[:3, :3].T + motion[:3, 3]
            off = float(np.sqrt(np.mean(signed_distance(shape_of(feature), seen) ** 2)))
            alike = (feature.kind, feature.side) == (known[feature.id].kind, known[feature.id].side)
            if off > ON_IT or not alike:
                astray.append((feature.id, off))
    print(
        f"\nseed {seed}, {facets} facets: {len(kept)} of {len(both)} faces of the design keep their number, "
        f"{sum(f.id in known for f in found.features)} of {len(found.features)} features have one of before; "
        f"lost {sorted(set(both) - set(kept))}, wrong {wrong}, astray {astray}"
    )
    assert wrong == []
    assert astray == []
    assert len(kept) >= 0.95 * len(both)
    assert len(both) > 10
