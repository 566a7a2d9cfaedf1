"""Which part coordinates the places of a job are in, and the job with all of them in scan coordinates.

A place is copied from what the last run showed, so it is read in the part frame of that run, which stands in the datum
file of the output folder. A job that then chooses other datums moves the frame; its places must not move along. What
frame each was read in is kept in the datum file as well, by the place's numbers, and the same numbers in the same job
go on being read in that frame until they are changed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pipeline.errors import SettingsError
from pipeline.job import FrameSettings, Job, Row, Zone
from pipeline.places import Place, Point, in_words
from pipeline.settings_file import Settings

_M = TypeVar("_M", bound=Settings)

Frame = tuple[Row, Row, Row, Row]
"""(4, 4), row-major: scan -> part coordinates, a rigid motion; mm."""

# Two frames that put a place within this of each other, mm, and a zone's axes within this many radians, mean the same.
_SAME = 0.1
_SAME_TURN = 1e-3
# Numbers within this of others, mm, may be the same ones with other decimals.
_RETYPED = 0.2


@dataclass(frozen=True)
class ReadPlace:
    """A place of a job as it was read.

    job      the job file's name as seen from the output folder, "" for none
    setting  where it stands in the job: "measured 1", "frame.A"
    at       (3,) mm as written
    frame    the part frame that it was read in; None: it is in scan coordinates
    """

    job: str
    setting: str
    at: Point
    frame: Frame | None

    @property
    def in_scan(self) -> Point:
        """(3,) mm, scan coordinates."""
        return self.at if self.frame is None else _back(self.frame, self.at)


@dataclass(frozen=True)
class LastRun:
    """What the last finished run in an output folder left for those who copy places from it.

    frame        its part frame
    sha256, unit_factor  of its scan
    places       what was read by it, and what it kept of other jobs; None: it is older than places in part coordinates
    """

    frame: Frame
    sha256: str
    unit_factor: float
    places: tuple[ReadPlace, ...] | None


@dataclass(frozen=True)
class Placed:
    """A job whose places are all in scan coordinates, what they were read as, and what other jobs' are kept as."""

    job: Job
    places: tuple[ReadPlace, ...] = ()
    others: tuple[ReadPlace, ...] = ()


def placed(job: Job, name: str, out: Path, last: LastRun | None, sha256: str, unit_factor: float) -> Placed:
    """The job with every place in scan coordinates.

    name   of the job file as seen from the output folder `out`, "" for none
    last   run in that folder; sha256, unit_factor: of the scan of this one

    Raises SettingsError for a place in part coordinates that can't be known, or that could mean two places: one
    sentence that says which, why, and what to write.

    >>> at = lambda z: ((1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, z), (0.0, 0.0, 0.0, 1.0))
    >>> job = Job(scan="a.stl", frame={"A": "bore nearest [0, 0, 5]"})
    >>> first = placed(job, "", Path("a"), LastRun(at(100.0), "", 1.0, ()), "", 1.0)
    >>> first.job.frame.A
    'bore nearest scan: [0.0, 0.0, -95.0]'
    >>> again = placed(job, "", Path("a"), LastRun(at(200.0), "", 1.0, first.places), "", 1.0)
    >>> again.job.frame.A  # the frame has moved, the place has not
    'bore nearest scan: [0.0, 0.0, -95.0]'
    """
    same = last is not None and last.sha256 == sha256 and last.unit_factor == unit_factor
    known = (last.places or ()) if last is not None and same else ()
    reader = _Reader(job, name, out, last, same, known)
    done = reader.read()
    return Placed(done, tuple(reader.found), tuple(place for place in known if place.job != name))


@dataclass
class _Reader:
    job: Job
    name: str
    out: Path
    last: LastRun | None
    same: bool
    known: Sequence[ReadPlace]
    found: list[ReadPlace] = field(default_factory=list)
    written: Counter[Point] = field(default_factory=Counter)

    def read(self) -> Job:
        """Twice over: how often the same numbers stand in the job must be known first."""
        changed = self.job
        for changing in (False, True):
            changed = self._each(changing)
        return changed

    def _each(self, changing: bool) -> Job:
        return self._model(self.job, "", changing)

    def _model(self, model: _M, setting: str, changing: bool) -> _M:
        """The same settings with all places in them read; `setting` is what stands before their names in the job."""
        values = {}
        for key in type(model).model_fields:
            before = getattr(model, key)
            after = self._value(before, f"{setting}.{key}" if setting else key, changing)
            if after is not before:
                values[key] = after
        return model.model_copy(update=values) if values else model

    def _value(self, value: Any, setting: str, changing: bool) -> Any:
        if isinstance(value, Place):
            # The table says enough: what it means shows in the place itself.
            return self._place(value, setting.rpartition(".")[0], changing)
        if isinstance(value, Zone):
            return self._zone(value, setting, changing)
        if isinstance(value, FrameSettings):
            return self._frame(value, changing)
        if isinstance(value, Settings):
            return self._model(value, setting, changing)
        if isinstance(value, tuple) and any(isinstance(item, Settings | Place) for item in value):
            return tuple(self._value(item, f"{setting} {n}", changing) for n, item in enumerate(value, 1))
        return value

    def _frame(self, frame: FrameSettings, changing: bool) -> FrameSettings:
        words = {}
        for letter in ("A", "B", "C"):
            text, setting = getattr(frame, letter), f"frame.{letter}"
            if text is not None:
                words[letter] = in_words(text, partial(self._place, setting=setting, changing=changing))
        return frame.model_copy(update=words)

    def _zone(self, zone: Zone, setting: str, changing: bool) -> Zone:
        points = zone.open_points
        if not points:
            return zone
        if not changing:
            self.written.update(points)
            return zone
        if self.job.export.units == "in" and "coordinates" not in zone.model_fields_set:
            raise SettingsError(self._unit_unsaid(setting, points[0]))
        frames = [self._frame_of(point, setting, zone=True) for point in points]
        if not all(_alike(frame, frames[0], point, zone=True) for frame in frames for point in points):
            raise SettingsError(
                f"{setting}: some points of this zone were written before the part frame changed, others after; "
                'copy all of them anew from the last report, or mark all of them "scan: [x, y, z]".'
            )
        self.found += [ReadPlace(self.name, setting, point, frames[0]) for point in points]
        return zone.model_copy(update={"part_frame": frames[0]})

    def _place(self, place: Place, setting: str, changing: bool) -> Place:
        if place.coordinates == "scan":
            if changing:
                self.found.append(ReadPlace(self.name, setting, place.at, None))
            return place
        if not changing:
            self.written[place.at] += 1
            return place
        if self.job.export.units == "in" and not place.unit_said:
            raise SettingsError(self._unit_unsaid(setting, place.at))
        read = ReadPlace(self.name, setting, place.at, self._frame_of(place.at, setting))
        self.found.append(read)
        return Place(at=read.in_scan, coordinates="scan")

    def _frame_of(self, at: Point, setting: str, zone: bool = False) -> Frame:
        """The frame that a place is to be read in; `zone`: its axes count as well."""
        last = self.last
        if last is None or not self.same or last.places is None:
            raise SettingsError(self._unknown(at, setting))
        ours = [p.frame for p in self.known if p.job == self.name and p.at == at and p.frame is not None]
        if ours and len(ours) >= self.written[at] and all(_alike(frame, ours[0], at, zone) for frame in ours):
            return ours[0]
        for before in self.known:
            near = max(abs(p - q) for p, q in zip(before.at, at, strict=True)) <= _RETYPED
            if near and before.frame is not None and not _alike(before.frame, last.frame, at, zone):
                now, then = (Place(at=_rounded(_back(f, at)), coordinates="scan") for f in (last.frame, before.frame))
                raise SettingsError(
                    f"{setting}: {list(at)} may be meant in the part frame of the last run or in an earlier one, where "
                    f'{before.setting}{f" of {before.job}" if before.job else ""} was read; write "{now.text}" for the '
                    f'last run\'s, "{then.text}" for the earlier one.'
                )
        return last.frame

    def _unknown(self, at: Point, setting: str) -> str:
        head = f"{setting}: {list(at)} is in part coordinates, and "
        tail = (
            f'run once without it and copy the place from that report, or write "scan: {list(at)}" if the figures are '
            "the scan's own."
        )
        if self.last is None:
            return f"{head}{self.out} has no finished run to take them from; {tail}"
        if not self.same:
            return f"{head}the last run in {self.out} was of another scan or unit; {tail}"
        return f"{head}the last run in {self.out} was made by a version that took places in scan coordinates; {tail}"

    def _unit_unsaid(self, setting: str, at: Point) -> str:
        return (
            f"{setting}: this job's outputs are in inches and its lengths in mm; "
            f'write "in: {list(at)}" for a place copied from them, "mm: {list(at)}" for one in mm.'
        )


def _alike(one: Frame, other: Frame, at: Point, zone: bool = False) -> bool:
    """Whether a place, and for a zone the directions there, come to the same in two frames."""
    apart = max(abs(p - q) for p, q in zip(_back(one, at), _back(other, at), strict=True))
    turned = max(abs(one[i][k] - other[i][k]) for i in range(3) for k in range(3)) if zone else 0.0
    return apart <= _SAME and turned <= _SAME_TURN


def _back(frame: Frame, at: Point) -> Point:
    """From part to scan coordinates: the inverse of a rigid motion is its rotation's transpose."""
    off = [at[i] - frame[i][3] for i in range(3)]
    x, y, z = (sum(frame[i][k] * off[i] for i in range(3)) for k in range(3))
    return (x, y, z)


def _rounded(at: Point) -> Point:
    x, y, z = (round(v, 3) for v in at)
    return (x, y, z)
