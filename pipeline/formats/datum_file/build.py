"""The datum file of a run, put together from what its stages found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.formats.datum_file.audit_parts import audit_record
from pipeline.formats.datum_file.feature_parts import feature_record, pattern_record, relation_record, set_up_record
from pipeline.formats.datum_file.figures import known, known_vector, matrix, plain, vector
from pipeline.formats.datum_file.flange_parts import flange_record
from pipeline.formats.datum_file.job_places import job_places, kept_places
from pipeline.formats.datum_file.missing import Missing
from pipeline.formats.datum_file.records import (
    SCHEMA_VERSION,
    CaliperRecord,
    DatumFile,
    DatumRecord,
    FrameChoice,
    FrameRecord,
    FrameUncertainty,
    GapRecord,
    MadeBy,
    PointRecord,
    ProposalRecord,
    RejectedRecord,
    RemovalRecord,
    SituationRecord,
    SourceRecord,
    SquareUpRecord,
    SuggestionRecord,
    TestsRecord,
    ToMeasureRecord,
    Units,
)
from pipeline.geometry import Floats, transformed, turned, unit_rows
from pipeline.job import dump_job
from pipeline.values import (
    Datum,
    Feature,
    Gap,
    Outcome,
    Rejected,
    SizeCheck,
    SizeSuggestion,
    Source,
    SquareUp,
    ToMeasure,
)
from pipeline.versions import library_versions


def build(outcome: Outcome) -> DatumFile:
    """The datum file of a run: mm and degrees, null with a caution where no figure can be vouched for.

    Its `files` are not known yet. Raises ValueError where a figure that the file can't do without is no number.

    >>> from tests.outcomes import outcome
    >>> datums = build(outcome())  # a plate with a bore D40 that the job calls its main bore
    >>> bore = datums.features[6]
    >>> bore.id, bore.name, bore.radius, [datum.feature for datum in datums.frame.datums]
    ('cylinder-1', 'main bore', 20.0, ['plane-1', 'cylinder-1', 'plane-3'])
    """
    missing = Missing()
    recover, frame, audit = outcome.recover, outcome.frame.frame, outcome.audit.audit
    audits = {a.feature: a for a in audit.features}
    in_part = {place.feature: place for place in outcome.frame.in_part}
    places, moved = job_places(outcome)
    made = DatumFile(
        schema_version=SCHEMA_VERSION,
        made_by=MadeBy(program="datumlift", version=__version__, libraries=library_versions()),
        title=outcome.job.title,
        units=Units(length="mm", angle="deg"),
        source=_source(outcome.source, missing),
        **_set_ups(outcome, missing),
        frame=_frame(outcome, missing),
        features=tuple(
            feature_record(f, frame.matrix, audits.get(f.id), in_part.get(f.id), missing).model_copy(update=also)
            for f, also in zip(recover.features, _seen_by(outcome), strict=True)
        ),
        patterns=tuple(pattern_record(p, frame.matrix) for p in recover.patterns),
        relations=tuple(relation_record(r, missing) for r in outcome.frame.relations),
        flanges=tuple(flange_record(flange) for flange in outcome.frame.flanges),
        suggestions=tuple(_suggestion(s) for s in outcome.frame.suggestions),
        square_up=tuple(_square_up(s) for s in outcome.frame.square_up),
        tests=_tests(outcome.frame.tests),
        gaps=tuple(_gap(gap, frame.matrix) for gap in outcome.gaps),
        proposals=tuple(
            ProposalRecord(
                what=p.what,
                centre=known_vector(p.centre),
                in_part_frame=_in_part(p.centre, frame.matrix),
                area=known(p.area),
                reason=p.reason,
                zone=p.zone,
            )
            for p in outcome.proposals
        ),
        removals=tuple(
            RemovalRecord(what=r.what, count=int(r.count), area=known(r.area), note=r.note) for r in outcome.removals
        ),
        rejected=tuple(_rejected(patch, frame.matrix) for patch in recover.rejected),
        calipers=tuple(_caliper(check) for check in recover.measured),
        to_measure=tuple(_to_measure(size) for size in outcome.frame.to_measure),
        places=places,
        places_kept=kept_places(outcome.kept_places),
        audit=audit_record(audit, frame.matrix, missing),
        cautions=(),
    )
    told = dict.fromkeys([*outcome.cautions, *_on_names(outcome), *moved, *missing.sentences(outcome.cautions)])
    return made.model_copy(update={"cautions": tuple(told)})


def _set_ups(outcome: Outcome, missing: Missing) -> dict[str, Any]:
    """The key of a job with set-ups; none of one scan."""
    if outcome.join is None:
        return {}
    return {"set_ups": tuple(set_up_record(s, lambda source: _source(source, missing)) for s in outcome.join.set_ups)}


def _seen_by(outcome: Outcome) -> list[dict[str, Any]]:
    if outcome.join is None:
        return [{} for _ in outcome.recover.features]
    return [{"set_ups": seen} for seen in outcome.join.seen]


def _in_part(point: np.ndarray, to_part: np.ndarray) -> PointRecord:
    return PointRecord(point=known_vector(transformed(to_part, point)))


def _source(source: Source, missing: Missing) -> SourceRecord:
    low, high = source.bounds
    return SourceRecord(
        file=Path(source.file).name,
        sha256=source.sha256,
        facets=source.facets,
        vertices=source.vertices,
        unit_factor=known(source.unit_factor),
        noise_sigma=missing.figure(source.noise_sigma, "noise of the scan", "it could not be estimated"),
        mean_edge=missing.figure(source.mean_edge, "mean edge of the scan", "it could not be estimated"),
        bounds=(known_vector(low), known_vector(high)),
        **({"scale_uncertainty": 1e3 * source.scale_uncertainty} if source.scale_uncertainty else {}),
    )


def _rejected(patch: Rejected, to_part: Floats) -> RejectedRecord:
    told = {
        "side": patch.side,
        "direction": None if patch.direction is None else known_vector(patch.direction),
        "radius": None if patch.radius is None else known(patch.radius),
        "arc": None if patch.arc is None else known(np.degrees(patch.arc)),
        "length": None if patch.length is None else known(patch.length),
        "fits": patch.fits,
        "number": patch.number,
        "place": None if patch.place is None else known_vector(patch.place),
        "in_part_frame": None if patch.place is None else _in_part(patch.place, to_part),
    }
    return RejectedRecord(
        kind=patch.kind,
        point=known_vector(patch.point),
        area=known(patch.area),
        reason=patch.reason,
        cast=patch.cast,
        **{name: value for name, value in told.items() if value is not None},  # type: ignore[arg-type]
    )


def _frame(outcome: Outcome, missing: Missing) -> FrameRecord:
    frame = outcome.frame.frame
    spread: np.ndarray | None = None
    if frame.covariance is not None and np.all(np.isfinite(frame.covariance)):
        spread = np.sqrt(np.maximum(np.diag(frame.covariance), 0.0))
    else:
        missing.note("uncertainty of the part frame", "; ".join(frame.reasons) or "that of a datum is not known")
    known_error = {} if plain(frame.error) is None else {"error": frame.error}
    return FrameRecord(
        matrix=matrix(frame.matrix),
        datums=tuple(
            DatumRecord(
                letter=d.letter,
                feature=d.feature,
                constrains=d.constrains,  # type: ignore[arg-type]  # held by the record
                situation=_situation(d, outcome.recover.features, frame.matrix),
            )
            for d in frame.datums
        ),
        complete=frame.complete,
        reasons=frame.reasons,
        uncertainty=None
        if spread is None
        else FrameUncertainty(translation=known_vector(spread[:3]), rotation=known_vector(np.degrees(spread[3:]))),
        **known_error,
        others=tuple(
            FrameChoice(
                datums={d.letter: d.feature for d in other.datums}, complete=other.complete, error=plain(other.error)
            )
            for other in outcome.frame.proposals
        ),
    )


def _situation(datum: Datum, features: tuple[Feature, ...], to_part: np.ndarray) -> SituationRecord:
    """The plane, axis or point that a datum stands for, in part coordinates."""
    from pipeline.features.datums import Datums, choose, reach_of, situations

    choice = choose(datum.feature, features, {})
    found = situations(Datums((choice,), features, reach_of(features)))[0]
    way = None if found.direction is None else unit_rows(turned(to_part, found.direction))
    return SituationRecord(
        kind=found.kind,  # type: ignore[arg-type]  # held by the record
        point=known_vector(transformed(to_part, found.point)),
        direction=vector(way),
    )


def _on_names(outcome: Outcome) -> list[str]:
    """Cautions on names of the job that fit nothing, and on ids of an earlier version."""
    from pipeline.features.naming import nameless

    features = outcome.recover.features
    out = [
        f"The job names {left!r} {right!r}, but no such feature was found."
        for left, right in nameless(features, outcome.job.names)
    ]
    job = dump_job(outcome.job)
    old = [f"{f.old_id} is {f.id} now" for f in features if f.old_id is not None and f.old_id in job]
    if old:
        out.append(f"The job has ids of version 0.1.0, which the next version won't read any more: {', '.join(old)}.")
    return out


def _suggestion(s: SizeSuggestion) -> SuggestionRecord:
    return SuggestionRecord(
        feature=s.feature,
        what=s.what,
        name=s.name,
        size=known(s.size),
        off=known(s.off),
        sigmas=plain(s.sigmas),
        source=s.source,
        note=s.note,
    )


def _square_up(s: SquareUp) -> SquareUpRecord:
    return SquareUpRecord(
        feature=s.feature,
        datum=s.datum,
        kind=s.kind,
        angle=known(s.angle, degrees=True),
        angle_uncertainty=plain(s.angle_uncertainty, degrees=True),
        over=known(s.over),
        length=known(s.length),
        offset=plain(s.offset),
        offset_uncertainty=plain(s.offset_uncertainty),
        significant=s.significant,
        **{} if s.within is None else {"within": known(s.within, degrees=True)},
        **{} if s.p is None or s.p_adjusted is None else {"p": known(s.p), "p_adjusted": known(s.p_adjusted)},
    )


def _tests(count: int) -> TestsRecord:
    from pipeline.features.uncertainty import CORRECTION, LEVEL

    return TestsRecord(correction=CORRECTION, level=LEVEL, count=count)


def _gap(gap: Gap, to_part: np.ndarray) -> GapRecord:
    return GapRecord(
        id=gap.id,
        kind=gap.kind,
        done=gap.done,
        centre=known_vector(gap.centre),
        in_part_frame=_in_part(gap.centre, to_part),
        length=known(gap.length),
        area=known(gap.area),
        area_filled=known(gap.area_filled),
        features=gap.features,
        note=gap.note,
        proposed=gap.proposed,
        count=gap.count,
    )


def _caliper(check: SizeCheck) -> CaliperRecord:
    return CaliperRecord(
        feature=check.feature,
        measured=known(check.measured),
        measured_uncertainty=known(check.measured_uncertainty),
        scanned=plain(check.scanned),
        scanned_uncertainty=plain(check.scanned_uncertainty),
        agrees=check.agrees,
        note=check.note,
        what=check.what,
        **{key: text for key, text in (("other", check.other), ("instrument", check.instrument)) if text},
    )


def _to_measure(size: ToMeasure) -> ToMeasureRecord:
    return ToMeasureRecord(
        features=size.features,
        what=size.what,
        why=size.why,
        how=size.how,
        size=known(size.size),
        size_uncertainty=plain(size.sigma),
        open=plain(size.open),
        instrument=size.instrument,
        rows=size.rows,
        columns=size.columns,
    )
