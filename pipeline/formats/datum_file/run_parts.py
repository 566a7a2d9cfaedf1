"""A run as a record: parts of its datum file, and what its stages took."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.formats.datum_file.records import DatumFile, RunRecord, StageRecord


def run_record(
    data: DatumFile, out: str, cautions: tuple[str, ...], stages: Iterable[tuple[str, float, float | None, bool]]
) -> RunRecord:
    """The record of a run that left the datum file `data` in the folder `out`.

    stages  of each its name, seconds, peak MB (None: not known) and whether it was reused

    >>> from pipeline.formats.datum_file import build, plain_data
    >>> from tests.outcomes import outcome
    >>> record = run_record(build(outcome()), "plate", (), [("read", 1.23456, None, False)])
    >>> record.within_budget, record.frame.datums[0].feature, plain_data(record)["stages"][0]["seconds"]
    (True, 'plane-1', 1.235)
    """
    audit = data.audit
    judged = {"within_budget": audit.within_budget} if audit.budget else {}
    return RunRecord(
        schema_version=data.schema_version,
        out=out,
        **judged,
        budget=audit.budget,
        calipers=data.calipers,
        source=data.source,
        facets_before=audit.facets_before,
        facets_after=audit.facets_after,
        frame=data.frame,
        features=data.features,
        gaps=data.gaps,
        cautions=cautions,
        stages=tuple(
            StageRecord(
                name=name, seconds=round(seconds, 3), peak_mb=None if peak is None else round(peak, 1), reused=reused
            )
            for name, seconds, peak, reused in stages
        ),
    )
