"""Every place that a run prints, copied into a job as it is printed, takes the feature that was meant.

Held against the exact truth of the part that was scanned (sample_meshes): the scans have poses of their own, so that
scan and part coordinates have nothing to do with each other.

Covers: pipeline.features.pointing.nearest
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import pipeline
from pipeline.errors import SettingsError
from pipeline.features.datums import choose
from pipeline.features.exclusion import inside
from pipeline.features.gauging import check_measured
from pipeline.features.pointing.nearest import distance_of
from pipeline.formats.datum_file import last_run, plain_data
from pipeline.formats.meshes_out import write_stl
from pipeline.job import Job, make_job
from pipeline.part_frame import placed
from sample_meshes.make_scan import Scan
from tests.scans import demo_scan
from tests.scorer import score

QUICK = {"step": "none", "dxf": False}
# Facets, seed, design.
SCANS = [(90_000, 21, None), (90_000, 22, 5), (90_000, 23, 9)]
LARGE = [(400_000, 31, None), (300_000, 32, 6), (300_000, 33, 12)]


@dataclass
class Ran:
    """A scan, its first run with default settings, and what that run left."""

    scan: Scan
    path: Path
    result: pipeline.Result
    datums: pipeline.DatumFile
    features: tuple[pipeline.Feature, ...]

    @property
    def out(self) -> Path:
        return self.result.out

    def text(self, name: str) -> str:
        return (self.out / name).read_text(encoding="utf-8")

    def job(self, **settings: Any) -> Job:
        return make_job({"scan": self.path, "out": self.out, "export": QUICK} | settings)

    def as_read(self, job: Job) -> Job:
        return placed(job, "", self.out, last_run(self.out), self.datums.source.sha256, 1.0).job


def size_at(place: Any, diameter: float, uncertainty: float = 0.01) -> dict[str, Any]:
    return {"what": "diameter", "features": [place], "value": diameter, "uncertainty": uncertainty}


def _name(params: tuple[int, int, int | None]) -> str:
    return f"{params[0]}-{params[1]}"


@pytest.fixture(
    scope="module", params=[*SCANS, *(pytest.param(large, marks=pytest.mark.slow) for large in LARGE)], ids=_name
)
def ran(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    facets, seed, design = request.param
    scan = demo_scan(facets, seed, design)
    path = tmp_path_factory.mktemp("copied") / "scan.stl"
    write_stl(path, scan.vertices, scan.faces.astype(np.int32), "mm")
    settings = {"audit": {"max_deviation": 1.0}, "lighten": {"facets": 20_000}, "export": QUICK}
    result = pipeline.run(make_job({"scan": path, **settings}))
    return Ran(scan, path, result, pipeline.read_datums(result.out / "datums.json"), result.features)


def printed(ran: Ran) -> list[tuple[str, str, str]]:
    """What printed it, the feature's id, and its place as text, from all outputs that people copy from."""
    number = r"\u2212?-?[\d.,]+"
    found = []
    for line in ran.text("summary.md").splitlines():
        cells = [cell.strip() for cell in line.split("|")]
        ids = {f.id for f in ran.datums.features}
        if (
            len(cells) > 6
            and cells[1].split(" ")[0] in ids
            and re.fullmatch(rf"{number}, {number}, {number}", cells[5])
        ):
            found.append(("summary", cells[1].split(" ")[0], f"[{cells[5]}]"))
    mark = r'<span data-at="features\.(\d+)\.in_part_frame\.point\.(\d)"[^>]*>([^<]*)</span>'
    places: dict[int, dict[int, str]] = {}
    for index, axis, text in re.findall(mark, ran.text("report.html")):
        places.setdefault(int(index), {})[int(axis)] = text
    for index, axes in places.items():
        found.append(("report", ran.datums.features[index].id, f"[{axes[0]}, {axes[1]}, {axes[2]}]"))
    for row in csv.DictReader(io.StringIO(ran.text("features.csv"))):
        found.append(("table", row["id"], f"[{row['x_mm']}, {row['y_mm']}, {row['z_mm']}]"))
    return found


def test_all_features_are_printed(ran: Ran) -> None:
    every = {f.id for f in ran.datums.features}
    sure = {f.id for f in ran.datums.features if f.confidence == "good"}
    by = {
        source: {ident for what, ident, _ in printed(ran) if what == source}
        for source in ("summary", "report", "table")
    }
    assert by["report"] == by["table"] == every
    assert by["summary"] == sure
    assert len(every) > 10


def test_a_copied_place_takes_its_feature_for_a_datum(ran: Ran) -> None:
    features = ran.features
    by_id = {f.id: f for f in features}
    for source, ident, place in printed(ran):
        feature = by_id[ident]
        words = {"plane": ("face",), "cylinder": ("bore", "hole") if feature.side == "bore" else ("boss",)}
        for word in (*words.get(feature.kind, ()), feature.kind):
            read = ran.as_read(ran.job(frame={"A": f"{word} nearest {place}"}))
            assert read.frame.A is not None
            choice = choose(read.frame.A, features, {}, "frame.A")
            assert choice.members == (ident,), (source, word, place)
            assert choice.taken[0].feature == ident


def test_a_copied_place_takes_its_feature_for_a_measured_size(ran: Ran) -> None:
    """The size is the drawing's: what a gauge finds on the part itself."""
    drawn = {t["name"]: t for t in ran.scan.truth["features"]}  # type: ignore[union-attr]
    hits = score(ran.scan.truth, plain_data(ran.datums)).hits
    sizes = {
        hit.found: 2.0 * drawn[hit.truth]["radius"]
        for hit in hits
        if drawn[hit.truth]["kind"] in ("cylinder", "sphere")
    }
    assert len(sizes) > 5
    seen = 0
    for source, ident, place in printed(ran):
        if ident in sizes:
            read = ran.as_read(ran.job(measured=[size_at(place, sizes[ident], 0.02)]))
            checks, _, taken = check_measured(read.measured, ran.features)
            assert checks[0].feature == taken[0].feature == ident, (source, place)
            seen += 1
    assert seen > 2 * len(sizes)


def _measured(read: Job, ran: Ran) -> tuple[str | None, str]:
    """The feature that a measured size was taken for, or why none was."""
    try:
        checks, _, _ = check_measured(read.measured, ran.features)
    except SettingsError as error:
        return None, str(error)
    return checks[0].feature, ""


def test_a_size_of_another_feature_is_refused(ran: Ran) -> None:
    """A size that only a feature elsewhere has, at each printed place: never taken, and what would fit is named."""
    features = {f.id: f for f in ran.features if f.kind == "cylinder"}
    sizes = {ident: 2.0 * f.radius for ident, f in features.items()}
    refused = 0
    for source, ident, place in printed(ran):
        for size in {round(size): size for size in sizes.values()}.values():
            if source != "table" or ident not in sizes or abs(size - sizes[ident]) <= max(3.0, 0.05 * size):
                continue
            read = ran.as_read(ran.job(measured=[size_at(place, size)]))
            taken, told = _measured(read, ran)
            if taken is None:
                assert any(i in told and abs(sizes[i] - size) < 0.05 * size for i in sizes), told
                refused += 1
            else:  # several on one axis about the place: the size says which
                assert sizes[taken] == pytest.approx(size, rel=0.05)
                assert distance_of(features[taken], np.array(read.measured[0].features[0].in_scan)) < 0.5
    assert refused > 20


def test_the_place_of_the_worst_deviation(ran: Ran) -> None:
    audit = ran.result.audit
    assert audit.noise_aside is not None
    worst = max(audit.noise_aside, key=lambda d: d.max)
    (line,) = ran.datums.audit.budget
    told = re.findall(r"\| deviation \|.*at (\[[^\]]*\]) \|", ran.text("summary.md"))
    shown = re.findall(r"<td>at (\[[^\]]*\])</td>", ran.text("report.html"))
    assert told == shown == [line.where.removeprefix("at ")]
    read = ran.as_read(ran.job(frame={"A": f"point {told[0]}"}))
    assert read.frame.A is not None
    place = choose(read.frame.A, ran.features, {}).place
    assert place == pytest.approx(worst.where, abs=0.02)


def test_a_pasted_zone_and_a_copied_place_of_what_is_not_the_part(ran: Ran) -> None:
    proposals = ran.result.fill.proposals
    section = ran.text("summary.md").partition("## Probably not the part")[2].partition("\n## ")[0]
    told = re.findall(r" at (\[[^\]]*\]): ", section)
    assert len(told) == len(proposals)
    pasted = re.findall(r"```toml\n(.*?)```", section, re.S)
    for proposal, place, text in zip(proposals, told, pasted, strict=True):
        (zone,) = tomllib.loads(text)["clean"]["exclude"]
        assert ran.as_read(ran.job(clean={"exclude": [zone]})).clean.exclude == (proposal.zone,)
        ball = {"shape": "sphere", "centre": place, "radius": 5.0}
        read = ran.as_read(ran.job(clean={"exclude": [ball]})).clean.exclude[0]
        points = proposal.centre + np.array([[0.0, 0, 0], [4.9, 0, 0], [0, 0, -4.9], [5.1, 0, 0], [0, -5.1, 0]])
        assert inside(read, points).tolist() == [True, True, True, False, False]


def test_a_copied_place_of_a_refused_surface_accepts_it(ran: Ran, tmp_path: Path) -> None:
    """All that the summary lists, each by its place and kind, in one run; what it gives ready to paste among them."""
    refused = {r.number: r for r in ran.datums.rejected if r.number is not None}
    section = ran.text("summary.md").partition("## Refused surfaces")[2].partition("\n## ")[0]
    rows = re.findall(r"\| X(\d+) \| ([\w ]+?) \|.*?\| (-?[\d.,]+, -?[\d.,]+, -?[\d.,]+) \|", section)
    more = sum(1 for r in refused.values() if r.fits) - len(rows)
    assert more == 0 or (more > 0 and f"\n{more} more stand in the report." in section)
    (pasted,) = re.findall(r"```toml\n(.*?)```", section, re.S) or ("",)
    ready = tomllib.loads(pasted).get("recover", {}).get("accept", [])
    assert bool(ready) == bool(refused)
    # What is ready to paste is the first of all, with its kind; the others' lines are written as it is.
    wishes = [*ready, *({"near": f"[{place}]", "kind": kind} for number, kind, place in rows if number != "1")]
    meant = [refused[1] for _ in ready] + [refused[int(number)] for number, _, _ in rows if number != "1"]
    if not meant:
        return
    out = tmp_path / "out"
    shutil.copytree(ran.out, out)
    job = ran.job(out=out, recover={"accept": wishes})
    again = pipeline.run(job, until="recover")
    taken = {t.setting: t for t in again.recover.taken}
    by_id = {f.id: f for f in again.features}
    for n, record in enumerate(meant, 1):
        feature = by_id[taken[f"recover.accept {n}"].feature]
        assert (feature.kind, feature.confidence) == (record.kind, "low")
        assert feature.extent.area == pytest.approx(record.area, rel=0.2)
        assert distance_of(feature, np.array(record.place)) < 0.5


@pytest.mark.parametrize(
    "ran",
    [SCANS[0], *(pytest.param(other, marks=pytest.mark.slow) for other in (*SCANS[1:], *LARGE))],
    indirect=True,
    ids=_name,
)
def test_the_frame_moves_and_the_places_stay(ran: Ran, tmp_path: Path) -> None:
    """The whole of it through the runner: datums chosen by a copied place, so that the frame moves; then run again."""
    start = ran.datums.frame.datums
    bores = [f for f in ran.datums.features if f.kind == "cylinder" and f.side == "bore" and f.confidence == "good"]
    other = next(f for f in bores if f.id not in {d.feature for d in start})
    gauged = next(f for f in bores if f.id != other.id)
    at = {f.id: [round(v, 2) for v in f.in_part_frame.point] for f in (other, gauged)}
    out = tmp_path / "out"
    shutil.copytree(ran.out, out)
    job = ran.job(
        out=out,
        frame={"A": f"bore nearest {at[other.id]}"},
        measured=[size_at(at[gauged.id], 2 * gauged.radius)],
        export={**QUICK, "report": False},
    )
    first = pipeline.run(job)
    assert first.frame.datums[0].feature == other.id
    assert np.abs(first.frame.matrix - np.array(ran.datums.frame.matrix)).max() > 1.0
    second = pipeline.run(job)
    assert all(stage.reused for stage in second.stages)
    datums = pipeline.read_datums(out / "datums.json")
    assert [(p.setting, p.feature) for p in datums.places or ()] == [("measured 1", gauged.id), ("frame.A", other.id)]
    assert any("goes on being read" in text and "measured 1" in text for text in datums.cautions)
    # A place copied from the new report stands beside those copied from the first one.
    again = next(f for f in datums.features if f.id == other.id)
    more = size_at([round(v, 2) for v in again.in_part_frame.point], 2 * again.radius)
    third = pipeline.run(
        job.model_copy(update={"measured": (*job.measured, *ran.job(measured=[more]).measured)}), until="frame"
    )
    assert [check.feature for check in third.recover.measured] == [gauged.id, other.id]
    # And a bare run into the same folder in between does not make the job forget.
    pipeline.run(ran.job(out=out, export={**QUICK, "report": False}), job_file=ran.path.with_name("other.toml"))
    fourth = pipeline.run(job, until="frame")
    assert fourth.frame.datums[0].feature == other.id
    assert fourth.job == second.job
