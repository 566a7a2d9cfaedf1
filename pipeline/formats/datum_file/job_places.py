"""Points of the job in the datum file, and what a later run needs of it to read them again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydantic import ValidationError

from pipeline.files import bytes_of
from pipeline.formats.datum_file.figures import known, known_vector, matrix
from pipeline.formats.datum_file.records import (
    FrameRecord,
    JobPlaceRecord,
    KeptPlaceRecord,
    LeftOut,
    PointRecord,
    Record,
    SourceRecord,
    Vector,
)
from pipeline.geometry import transformed
from pipeline.lengths import mm
from pipeline.part_frame import LastRun, ReadPlace
from pipeline.values import Outcome, Taken

# Beyond these, mm, a feature that was taken for a place, and a place whose frame has moved, are worth a word.
_NOT_AT = 1.0
_MOVED = 0.1


def job_places(outcome: Outcome) -> tuple[tuple[JobPlaceRecord, ...], tuple[str, ...]]:
    """The points of a run's job with what was taken for them; and cautions on those that lie off what was taken, or
    whose numbers are those of an earlier part frame."""
    to_part = outcome.frame.frame.matrix
    taken = [*outcome.recover.taken, *outcome.frame.taken]
    records, cautions = [], []
    moved: dict[tuple[Vector, Vector], list[str]] = {}
    for place in outcome.places:
        found = _taken_for(place, taken)
        now = known_vector(transformed(to_part, np.array(place.in_scan)))
        records.append(
            JobPlaceRecord(
                **dict(_kept(place)),
                point=known_vector(place.in_scan),
                in_part_frame=PointRecord(point=now),
                feature=None if found is None else found.feature,
                distance=None if found is None else known(found.distance),
            )
        )
        if found is not None and found.distance > _NOT_AT:
            cautions.append(
                f"{place.setting}: {found.feature} was taken, though it lies {mm(found.distance, '.1f')} from the "
                "place."
            )
        if place.frame is not None and np.abs(np.subtract(now, place.at)).max() > _MOVED:
            moved.setdefault((place.at, now), []).append(place.setting)
    cautions += [
        f"{', '.join(dict.fromkeys(settings))}: {list(at)} goes on being read in the part frame of the run that it was "
        f"copied from; in this run's it is [{', '.join(f'{v:z.3f}' for v in now)}]."
        for (at, now), settings in moved.items()
    ]
    return tuple(records), tuple(dict.fromkeys(cautions))


def kept_places(places: tuple[ReadPlace, ...]) -> tuple[KeptPlaceRecord, ...]:
    """Points of other jobs, as they stand in the file."""
    return tuple(_kept(place) for place in places)


def _kept(place: ReadPlace) -> KeptPlaceRecord:
    frame = None if place.frame is None else matrix(place.frame)
    return KeptPlaceRecord(job=place.job, setting=place.setting, at=known_vector(place.at), part_frame=frame)


def _taken_for(place: ReadPlace, taken: list[Taken]) -> Taken | None:
    """What a stage took for a place: it knows the place by where it stands and by its scan coordinates."""
    for found in taken:
        if found.setting == place.setting and np.allclose(found.place, place.in_scan, atol=1e-9):
            return found
    return None


class _LastRun(Record):
    """What of a datum file the next run in its folder wants to know."""

    source: SourceRecord
    frame: FrameRecord
    places: LeftOut[tuple[KeptPlaceRecord, ...]] = None
    places_kept: tuple[KeptPlaceRecord, ...] = ()


def last_run(folder: Path) -> LastRun | None:
    """What the last finished run in an output folder left for places; None where there was none that can be read.

    >>> import tempfile
    >>> from pipeline.formats.datum_file import build, text_of
    >>> from tests.outcomes import outcome
    >>> folder = Path(tempfile.mkdtemp())
    >>> last_run(folder) is None
    True
    >>> _ = (folder / "datums.json").write_text(text_of(build(outcome())))
    >>> last_run(folder).unit_factor, last_run(folder).places
    (1.0, ())
    """
    try:
        found = _LastRun.model_validate_json(bytes_of(folder / "datums.json"))
    except (OSError, ValidationError):
        return None
    kept = None if found.places is None else tuple(map(_read, (*found.places, *found.places_kept)))
    return LastRun(found.frame.matrix, found.source.sha256, found.source.unit_factor, kept)


def _read(place: KeptPlaceRecord) -> ReadPlace:
    return ReadPlace(place.job, place.setting, place.at, place.part_frame)
