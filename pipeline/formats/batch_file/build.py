"""What the scans of a batch came to, as one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.features.uncertainty import LEVEL
from pipeline.formats.batch_file.records import (
    HELD,
    SCHEMA_VERSION,
    BatchFile,
    PartRecord,
    PromiseRecord,
    Verdict,
)
from pipeline.formats.batch_file.spread import spread_of
from pipeline.formats.datum_file import DatumFile, FeatureRecord, schema_of

_SHOWN = 8  # names in a sentence


@dataclass(frozen=True)
class Lifted:
    """One scan of a batch.

    part      what stands in the file
    features  with all that is known of them; of a scan that nothing came of none
    scale     relative standard uncertainty of the scanner's scale that diameters hold
    """

    part: PartRecord
    features: tuple[FeatureRecord, ...] = ()
    scale: float = 0.0


def failed(scan: str, folder: str, verdict: Verdict, why: str) -> Lifted:
    """A scan that nothing came of, and why.

    >>> failed("a.stl", "a", "unusable", "a.stl is empty.").part.facets is None
    True
    """
    nothing = dict.fromkeys(
        ("sha256", "facets", "size", "noise", "light_facets", "complete", "features", "unsure", "cautions"), None
    )
    return Lifted(PartRecord(scan=scan, folder=folder, verdict=verdict, why=why, datums={}, budget=(), **nothing))


def lifted(scan: str, folder: str, data: DatumFile) -> Lifted:
    """A scan that went through, from its datum file.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> lifted("a.stl", "a", build(outcome())).part.verdict
    'held'
    """
    audit, low, high = data.audit, *data.source.bounds
    broken = [line.what for line in audit.budget if not line.held]
    broken += [f"measured size of {check.feature}" for check in data.calipers if check.agrees is False]
    good = sum(feature.confidence == "good" for feature in data.features)
    part = PartRecord(
        scan=scan,
        sha256=data.source.sha256,
        folder=folder,
        verdict="not held" if broken or not audit.within_budget else "held",
        why=f"not held: {', '.join(broken)}" if broken else "",
        facets=data.source.facets,
        size=(high[0] - low[0], high[1] - low[1], high[2] - low[2]),
        noise=data.source.noise_sigma,
        light_facets=audit.facets_after,
        datums={datum.letter: datum.feature for datum in data.frame.datums},
        complete=data.frame.complete,
        budget=tuple(
            PromiseRecord(what=line.what, value=line.value, limit=line.limit, unit=line.unit, held=line.held)
            for line in audit.budget
        ),
        features=good,
        unsure=len(data.features) - good,
        cautions=len(data.cautions),
    )
    return Lifted(part, data.features, data.source.scale)


def batch_record(
    job: str, found: Sequence[Lifted], numbers: frozenset[str], numbers_from: str | None, told: tuple[str, ...] = ()
) -> BatchFile:
    """The record of a batch.

    numbers       what all parts have in common: other numbers are one part's own
    numbers_from  SHA-256 of the scan whose they are
    told          what else is to be told

    >>> batch_record("job.toml", [failed("a.stl", "a", "unusable", "a.stl is empty.")], frozenset(), None).held
    False
    """
    parts = tuple(one.part for one in found)
    comparable = [_frame(one) is not None and _frame(one) == _reference(found) for one in found]
    return BatchFile(
        schema_version=SCHEMA_VERSION,
        job=job,
        numbers_from=numbers_from,
        level=LEVEL,
        parts=parts,
        spread=spread_of([one.features for one in found], comparable, numbers, [one.scale for one in found], LEVEL),
        cautions=(*told, *_cautions(found, comparable, numbers)),
        held=all(part.verdict == "held" for part in parts),
    )


def batch_schema_text() -> str:
    """The published schema of batch.json, as text; the same version gives the same bytes.

    >>> import json
    >>> json.loads(batch_schema_text())["$id"]
    'urn:datumlift:batch:1.0'
    """
    return schema_of(BatchFile, "batch", SCHEMA_VERSION, "many scans run with one job")


def _frame(one: Lifted) -> dict[str, str] | None:
    """The datums of a part whose frame is all measured."""
    return one.part.datums if one.part.complete else None


def _reference(found: Sequence[Lifted]) -> dict[str, str] | None:
    """The datums that most parts stand on, of as many those of the first."""
    frames = [frame for one in found if (frame := _frame(one)) is not None]
    return max(frames, key=frames.count, default=None)


def _cautions(found: Sequence[Lifted], comparable: Sequence[bool], numbers: frozenset[str]) -> list[str]:
    done = [(one, same) for one, same in zip(found, comparable, strict=True) if one.part.verdict in HELD]
    out = []
    other = [one.part.scan for one, same in done if not same]
    if other:
        out.append(
            f"Places are not compared for {_listed(other)}: the part frame is incomplete there or stands on other "
            "datums than elsewhere; give the job a [frame] with datums that every part shows."
        )
    own = [one.part.scan for one, _ in done if any(f.id not in numbers for f in one.features)]
    if own:
        out.append(
            f"{_listed(own)} {'shows' if len(own) == 1 else 'show'} features that the part whose numbers are used "
            "doesn't; their numbers are each scan's own, and they are in no spread."
        )
    unlike = [one.part.scan for one, _ in done if not any(f.id in numbers for f in one.features)]
    if unlike and numbers:
        out.append(
            f"No feature of {_listed(unlike)} was known again: another part, the mirror image, or one whose features "
            "lie the same in several poses; its summary.md says which."
        )
    return out


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:_SHOWN]) + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")
