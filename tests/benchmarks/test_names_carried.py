"""How many numbers a rescan of the demo part keeps, and that none goes to another feature; made flanges that lack much.

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
from pipeline.features.naming import carried_over
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import NameBook, RecoverResult
from sample_meshes.make_scan import Scan, write_ply
from tests.features.made import bore, plane, pose, posed, spots
from tests.features.naming.test_carrying import flange, shaken
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


def test_none_goes_astray_on_flanges_of_which_each_scan_lacks_a_fifth() -> None:
    """Circles of 4 to 8 holes, with none to three other holes and now and then a face that breaks the symmetry."""
    rng = np.random.default_rng(7)
    kept = both = 0
    for _ in range(60):
        part = flange(int(rng.choice([4, 5, 6, 8])))
        for _ in range(int(rng.integers(0, 4))):
            place = (*rng.uniform(-40.0, 40.0, 2), float(rng.choice([-5.0, 0.0, 5.0])))
            part.append(bore("", place, (0, 0, 1), float(rng.choice([2.5, 3.0, 4.5])), 10.0))
        if rng.random() < 0.5:
            part.append(plane("", (40, 40, 10), (1, 1, 0.3), 300))
        seen = []
        for _ in range(2):
            some = [k for k in rng.permutation(len(part)).tolist() if rng.random() > 0.2]
            seen.append((some, shaken([part[k] for k in some], int(rng.integers(1 << 30)))))
        (some, features), (others, later) = seen
        before = carried_over(NameBook(), features, spots(features), "a")
        later = posed(later, pose(int(rng.integers(1 << 30))))
        after = carried_over(before.book, later, spots(later), "b")
        was, now = dict(zip(some, before.ids, strict=True)), dict(zip(others, after.ids, strict=True))
        assert [k for k, ident in now.items() if ident in before.ids and was.get(k) != ident] == []
        kept += sum(was[k] == now[k] for k in was if k in now)
        both += sum(k in now for k in was)
    print(f"\n{kept} of {both} numbers kept")
    assert kept > 0.5 * both
