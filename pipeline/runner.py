"""Order, resume and bookkeeping of the stages; no geometry here.

A stage is one function. It asks for what it needs by the names of its parameters: the result of an
earlier stage by that stage's name, one field of it by both names (`clean_removals`), `settings` for
its own section of the job, `source`, `measured`, `refits`, `names`, `exclude`, `job`, `placed`, `path`, `book`
(the numbers that earlier runs into the folder gave), `progress`. What it asks for is also what its result's key is made
of: the keys of those results, those settings, the scan's content, the code and the libraries. A result whose key is on
disk already is not made again. Once the scan is read all places of the job are put into scan coordinates: no later
stage, and no key, knows others.

A job with further set-ups has each of them read, cleaned and recovered by a run of its own in the work folder, and
the stage `join`, which other jobs go without: what later stages ask for of `clean` and `recover` is then what it made
of all scans, and it is the one that numbers features and takes the user's names.

`filed` is the file of names as the stage before left it. That file is read and written by the same run. A result was
made from what stood in it before; the manifest says what that was, and what stood in it after, so that a second run,
which finds the latter, knows the result for made.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib
import inspect
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline import __version__, artefacts
from pipeline.errors import InputError, OutputError, SettingsError
from pipeline.files import refuse_special, text_of
from pipeline.formats.names_file import NAMES_FILE, names_text, read_names
from pipeline.job import Job, load_job, make_job
from pipeline.meter import Meter
from pipeline.output_folder import WORK, OutputFolder, digest_of, opened
from pipeline.part_frame import Placed, ReadPlace, placed
from pipeline.progress import Progress, silent
from pipeline.values import (
    Audit,
    AuditResult,
    CleanResult,
    ExportResult,
    Feature,
    FillResult,
    Frame,
    FrameResult,
    JoinResult,
    LightenResult,
    NameBook,
    ReadResult,
    RecoverResult,
    Source,
)
from pipeline.versions import library_versions

ORDER = ("read", "clean", "recover", "join", "fill", "frame", "lighten", "audit", "export")
# What a run may write into its output folder, besides work/.
OUTPUTS = (
    "datums.json", "datums.schema.json", "features.csv", "relations.csv", "summary.md", "job.toml", "report.html",
    "light.stl", "light.ply", "light.obj", "light.3mf", "light.glb", "light-scan.ply", "datums.step", "part.step",
    "flange-*.dxf", "flange-*.pdf", "pictures/*", "section.dxf",
)  # fmt: skip
NO_BOOK = NameBook()
_MANIFEST = f"{WORK}/manifest.json"
LADDER_CURVE = "ladder.svg"
NUMBERS = ("recover", "join", "fill")  # the stages that write the file of names, of features and of gaps
_OF_ALL_SCANS = ("clean", "recover")  # of a job with set-ups later stages get these from the join
StageProgress = Callable[[str], contextlib.AbstractContextManager[Progress]]


@dataclass(frozen=True)
class StageReport:
    """What a stage took.

    name     the stage's
    seconds  and peak_mb of this run: a reused stage took no time and has no peak
    reused   whether its result was left by an earlier run
    """

    name: str
    seconds: float
    peak_mb: float | None
    reused: bool


@dataclass(frozen=True)
class Result:
    """What a run made. Results of stages are read from the work folder when they are first asked for.

    out     the output folder
    job     as run
    stages  what each stage took
    told    which files of the output folder were in the way and the user's, and where they were moved to

    Asking for the result of a stage that was never run (see `until` of `run`) raises OutputError, and so does a work
    folder that has gone since, or that another job has written its results into.

    >>> import tempfile
    >>> scan = Path(tempfile.mkdtemp()) / "corner.off"
    >>> _ = scan.write_text('''OFF
    ... 3 1 0
    ... 0 0 0
    ... 10 0 0
    ... 0 10 0
    ... 3 0 1 2
    ... ''')
    >>> [run(scan, until="read").stages[0].reused for _ in range(2)]  # a second run finds it made
    [False, True]
    """

    out: Path
    job: Job
    stages: tuple[StageReport, ...]
    told: tuple[str, ...]
    _shelf: _Shelf = field(repr=False)

    @cached_property
    def read(self) -> ReadResult:
        """The scan as read: mm, welded."""
        return self._shelf.get("read")

    @cached_property
    def source(self) -> Source:
        """Where the scan came from, its noise and its size."""
        return self._shelf.get("read", "source")

    @cached_property
    def clean(self) -> CleanResult:
        """The scan, or all set-ups together, without what isn't the part, and what was taken away."""
        return self._shelf.of_all("clean")

    @cached_property
    def recover(self) -> RecoverResult:
        """Features, the facets that carry them, what holds between them, the scan's noise."""
        return self._shelf.of_all("recover")

    @cached_property
    def join(self) -> JoinResult | None:
        """Where the set-ups lie; None for a job without any."""
        return self._shelf.get("join") if self.job.set_up else None

    @cached_property
    def fill(self) -> FillResult:
        """The surface with gaps closed, and what was done with each."""
        return self._shelf.get("fill")

    @cached_property
    def frame_result(self) -> FrameResult:
        """The part frame, and flanges, standard sizes and features in part coordinates."""
        return self._shelf.get("frame")

    @cached_property
    def lighten(self) -> LightenResult:
        """The light surface, in scan coordinates, and the facets of each feature."""
        return self._shelf.get("lighten")

    @cached_property
    def audit_result(self) -> AuditResult:
        """The audit, and how far each light vertex is from the scan."""
        return self._shelf.get("audit")

    @property
    def places(self) -> tuple[ReadPlace, ...]:
        """The points of the job as they were read."""
        return self._shelf.placed.places

    @cached_property
    def files(self) -> tuple[Path, ...]:
        """The files that were written, all in `out`."""
        exported: ExportResult = self._shelf.get("export")
        return tuple(self.out / name for name in exported.files)

    @property
    def features(self) -> tuple[Feature, ...]:
        """The recovered features, in the order of the datum file; mm and rad, scan coordinates."""
        return self.recover.features if self.job.set_up else self._shelf.get("recover", "features")

    @property
    def frame(self) -> Frame:
        """The part frame that the datums make."""
        return self._shelf.get("frame", "frame")

    @property
    def audit(self) -> Audit:
        """What lightening cost."""
        return self._shelf.get("audit", "audit")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is not to be relied on, in sentences, of all stages that were run; `told` comes first."""
        found: list[str] = [*self.told]
        for name in stages_of(self.job):
            if name in _OF_ALL_SCANS and self.job.set_up:
                continue
            if self._shelf.has(name) and name != "audit":
                found += [c for c in self._shelf.get(name, "cautions") if c not in found]
        if self._shelf.has("audit"):
            found += [c for c in self.audit.cautions if c not in found]
        return tuple(found)


def run(
    scan: str | Path | Job,
    *,
    out: str | Path | None = None,
    fresh: bool = False,
    until: str = "export",
    progress: StageProgress | None = None,
    job_file: Path | None = None,
) -> Result:
    """Run the job: every stage up to `until`, reusing what an earlier run left in the work folder.

    scan      a scan file, a job file (.toml), or a Job
    out       the output folder; default: beside the scan, named after it
    fresh     make everything anew
    until     the last stage to run: "read", "clean", "recover", "join" (of several set-ups), "fill", "frame",
              "lighten", "audit" or "export"
    progress  called with a stage's name; gives a context manager whose value is that stage's Progress
    job_file  where `scan` came from when it is a Job: that file is never written over

    Raises InputError, SettingsError, OutputError or GeometryError, each a DatumliftError of one sentence for the user.

    >>> import tempfile
    >>> scan = Path(tempfile.mkdtemp()) / "corner.off"
    >>> _ = scan.write_text('''OFF
    ... 4 4 0
    ... 0 0 0
    ... 10 0 0
    ... 0 10 0
    ... 0 0 10
    ... 3 0 2 1
    ... 3 0 1 3
    ... 3 0 3 2
    ... 3 1 2 3
    ... ''')
    >>> result = run(scan, until="read")
    >>> result.source.facets, result.source.unit, result.read.surface.vertices.shape, result.out.name
    (4, 'mm', (4, 3), 'corner')
    """
    if not isinstance(scan, Job) and Path(scan).suffix.lower() == ".toml":
        job_file = Path(scan)
    job = scan if isinstance(scan, Job) else job_of(scan)
    if until not in ORDER:
        raise SettingsError(f"There is no stage {until!r}; the stages are {', '.join(ORDER)}.")
    scans = (job.scan, *(one.scan for one in job.set_up))
    for scan_file in scans:
        _refuse_missing(scan_file)
    place = Path(out) if out is not None else job.out if job.out is not None else default_out(job.scan)
    job = job.model_copy(update={"out": place})
    watch = progress or _no_show
    with opened(place, inputs=(*scans, *(() if job_file is None else (job_file,)))) as folder:
        keep = _kept(place, job_file)
        older = _not_ours(folder, keep, writes=until == "export")
        shelf = _Shelf(folder, job, fresh, keep)
        steps = [name for name in ORDER[: ORDER.index(until) + 1] if name in stages_of(job)]
        reports = []
        for number, name in enumerate(steps):
            reports.append(_step(shelf, name, watch))
            if name == "read":
                shelf.place(_job_name(job_file, place))
            later = {need for other in steps[number + 1 :] for need in shelf.holds(other)}
            shelf.put_down(later)
        if until == "export":
            folder.set_aside(older)
    return Result(place, shelf.placed.job, tuple(reports), folder.told, shelf)


def stages_of(job: Job) -> tuple[str, ...]:
    """The stages of a job: `join` is one of several set-ups only."""
    return tuple(name for name in ORDER if name != "join" or job.set_up)


def _refuse_missing(scan: Path) -> None:
    try:
        refuse_special(scan)
        what = "" if scan.is_file() else "is a folder" if scan.is_dir() else "does not exist"
    except OSError as error:
        what = f"can't be read ({error.strerror})"
    if what:
        raise InputError(f"The scan {scan!s:.200} {what}; give the path of a mesh or points file.")


def job_of(path: str | Path, *others: str | Path) -> Job:
    """The job that a path stands for: a job file's own, or the defaults for a scan and others of the same part.

    Raises SettingsError where a job file stands beside others: it names its scans itself.
    """
    paths = [Path(one) for one in (path, *others)]
    jobs = [one for one in paths if one.suffix.lower() == ".toml"]
    if jobs and others:
        raise SettingsError(
            f"{jobs[0]} is a job file and stands alone; name the further scans in it, each under [[set_up]]."
        )
    if jobs:
        return load_job(paths[0])
    return make_job({"scan": paths[0], "set_up": [{"scan": one} for one in paths[1:]]})


def default_out(scan: Path) -> Path:
    """A folder beside the scan, named after it."""
    path = Path(os.path.realpath(scan))
    name = path.name.removesuffix(path.suffix)
    # A name of dots is the folder itself, or the one above it.
    return path.with_name(name if name.strip(".") and name != path.name else f"{path.name}-lifted")


def _job_name(job_file: Path | None, out: Path) -> str:
    """What a job's places are kept under; the two can be moved together."""
    if job_file is None:
        return ""
    try:
        return Path(os.path.relpath(job_file.resolve(), out.resolve())).as_posix()
    except ValueError:  # another drive
        return job_file.resolve().as_posix()


def _step(shelf: _Shelf, name: str, watch: StageProgress) -> StageReport:
    if shelf.has(name):
        return StageReport(name, 0.0, None, True)
    with watch(name) as progress:
        meter = Meter()
        progress(0.0)
        shelf.begin(name)
        result = shelf.stage(name)(**shelf.arguments(name, progress))
        shelf.put(name, result)
        progress(1.0)
        return StageReport(name, meter.seconds, meter.peak_mb, False)


def _asked(parameter: str) -> tuple[str, str | None] | None:
    """The stage, and the field of its result, that a stage's parameter asks for; None for anything else."""
    if parameter == "source":
        return ("read", "source")
    stage, _, part = parameter.partition("_")
    return (stage, part or None) if stage in ORDER else None


class _Shelf:
    """Results by stage name, in memory while they are needed, on disk always."""

    def __init__(self, folder: OutputFolder, job: Job, fresh: bool, keep: tuple[str, ...]) -> None:
        self._folder = folder
        self._out = folder.path
        self._job = job
        self.placed = Placed(job)
        self._keep = keep
        self._keys: dict[str, str] = {}
        self._held: dict[str, Any] = {}
        self._content = _digest_of(job.scan)
        self._code = code_digest()
        self._made, (before, after) = ({}, ("", "none")) if fresh else self._manifest()
        self._book, self._book_now = read_names(self._out / NAMES_FILE), self._names_digest()
        self._book_before = before if after == self._book_now else None

    def place(self, name: str) -> None:
        """Put all places of the job into scan coordinates, now that the scan's unit is known."""
        from pipeline.formats.datum_file import last_run

        unit = self.get("read", "source").unit_factor
        self.placed = placed(self._job, name, self._out, last_run(self._out), self._content, unit)
        self._job = self.placed.job

    def stage(self, name: str) -> Callable[..., Any]:
        return getattr(importlib.import_module(f"pipeline.stages.{name}"), name)

    def needs(self, name: str) -> tuple[str, ...]:
        """Names of the results that a stage asks for."""
        asked = [self._whence(name, p) for p in inspect.signature(self.stage(name)).parameters]
        return tuple(n for n in ORDER if any(a is not None and a[0] == n for a in asked))

    def _whence(self, name: str, parameter: str) -> tuple[str, str | None] | None:
        """As `_asked`, of a stage of this job: after the join it is the join's."""
        asked = _asked(parameter)
        later = self._job.set_up and ORDER.index(name) > ORDER.index("join")
        if asked is None or (asked[0] == "join" and not later):
            return None
        return ("join", ".".join(filter(None, asked))) if later and asked[0] in _OF_ALL_SCANS else asked

    def of_all(self, name: str) -> Any:
        """What the clean or recover stage came to, of all set-ups together where there are several."""
        return self.get("join", name) if self._job.set_up else self.get(name)

    def holds(self, name: str) -> tuple[str, ...]:
        """Names of the results that a stage wants whole; of the others it reads one field from disk."""
        asked = [self._whence(name, p) for p in inspect.signature(self.stage(name)).parameters]
        return tuple(a[0] for a in asked if a is not None and a[1] is None)

    def key(self, name: str) -> str:
        if name not in self._keys:
            wanted = inspect.signature(self.stage(name)).parameters
            made_of: dict[str, Any] = {"stage": name, "code": self._code}
            made_of["results"] = {need: self.key(need) for need in self.needs(name)}
            for parameter in wanted:
                if parameter == "path":
                    made_of["scan"] = [self._content, self._job.scan.name]
                elif parameter == "ladder":
                    made_of["ladder"] = self._ladder()
                elif parameter == "placed":
                    made_of["placed"] = [asdict(place) for place in (*self.placed.places, *self.placed.others)]
                elif parameter == "set_ups":
                    made_of["set_ups"] = [[_digest_of(s.scan), s.scan.name, self._plain(s)] for s in self._job.set_up]
                    made_of["set_ups"].append([self._plain(self._job.read), self._plain(self._job.clean)])
                elif parameter == "book" and self._alone(name):
                    made_of["book"] = None
                elif parameter == "book":
                    made_of["book"] = self._book_now if self._book_before is None else self._book_before
                elif parameter in ("settings", "measured", "refits", "names", "exclude", "job", "recovery", "balls"):
                    made_of[parameter] = self._plain(self._setting(name, parameter))
            self._keys[name] = hashlib.sha256(json.dumps(made_of, sort_keys=True).encode()).hexdigest()
        return self._keys[name]

    def _seal(self, name: str) -> str:
        """What a result is stored under: its key. That of the export hangs on where files lie, which its result doesn't
        and which must leave no trace in it: the same run elsewhere gives the same bytes."""
        return "" if name == "export" else self.key(name)

    def arguments(self, name: str, progress: Progress) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for parameter in inspect.signature(self.stage(name)).parameters:
            asked = self._whence(name, parameter)
            if asked is not None:
                values[parameter] = self.get(*asked)
            elif parameter == "path":
                values[parameter] = self._job.scan
            elif parameter == "folder":
                values[parameter] = self._folder
            elif parameter == "keep":
                values[parameter] = self._keep
            elif parameter == "ladder":
                values[parameter] = self._ladder()
            elif parameter == "placed":
                values[parameter] = self.placed
            elif parameter == "set_ups":
                values[parameter] = self._set_ups(progress)
            elif parameter == "join":
                values[parameter] = None
            elif parameter == "book":
                values[parameter] = NO_BOOK if self._alone(name) else self._book
            elif parameter == "filed":
                values[parameter] = read_names(self._out / NAMES_FILE)
            elif parameter == "sha256":
                values[parameter] = self._content
            elif parameter == "progress":
                values[parameter] = progress
            else:
                values[parameter] = self._setting(name, parameter)
        return values

    def has(self, name: str) -> bool:
        if self._made.get(name) != self.key(name) or (self._numbers(name) and self._book_before is None):
            return False
        if name in self._held:
            return True
        if not self._folder.wrote(_work_name(name)):
            return False
        if not artefacts.fits(self._file(name), self._seal(name)):
            return False
        try:
            exported = artefacts.fetch(self._file(name), "files", self._seal(name)) if name == "export" else ()
        except FileNotFoundError:
            return False
        return all((self._out / file).is_file() for file in exported)

    def get(self, name: str, part: str | None = None) -> Any:
        if name not in self._held:
            try:
                first, *inner = (None,) if part is None else part.split(".")
                value = functools.reduce(getattr, inner, artefacts.fetch(self._file(name), first, self._seal(name)))
            except FileNotFoundError:
                raise OutputError(
                    f"{self._file(name)} is gone or damaged while it was needed; "
                    "run the same command again with --fresh."
                ) from None
            if part is not None:
                return value
            self._held[name] = value
        value = self._held[name]
        return value if part is None else functools.reduce(getattr, part.split("."), value)

    def put(self, name: str, result: Any) -> None:
        room = self._folder.room
        made = {_work_name(name): room / f"{name}.npz"}
        artefacts.store(result, made[_work_name(name)], self._seal(name))
        self._held[name] = result
        self._made[name] = self.key(name)
        after = self._names_digest()
        if self._numbers(name) and (result.book.features or result.book.gaps):
            made[NAMES_FILE] = room / NAMES_FILE
            after = _write(made[NAMES_FILE], names_text(result.book))
        manifest: dict[str, Any] = {"stages": self._made}
        if self._book_before is not None:
            manifest["names"] = {"before": self._book_before, "after": after}
        made[_MANIFEST] = room / "manifest.json"
        _write(made[_MANIFEST], json.dumps(manifest, indent=1))
        self._folder.put(made)

    def begin(self, name: str) -> None:
        """What is made now is made from the file of names as it stands."""
        if name == ("join" if self._job.set_up else "recover"):
            self._book_before, self._keys = self._book_now, {}
            for other in filter(self._numbers, NUMBERS):
                self._made.pop(other, None)

    def _alone(self, name: str) -> bool:
        """Whether a stage looks at the job's own scan alone, of several: it gives no numbers to keep."""
        return name == "recover" and bool(self._job.set_up)

    def _numbers(self, name: str) -> bool:
        return name in NUMBERS and not self._alone(name)

    def _set_ups(self, progress: Progress) -> tuple[Any, ...]:
        """The further set-ups, each read, cleaned and recovered by a run of its own."""
        from pipeline.stages.join import Scanned

        job, made = self._job, []
        for number, wish in enumerate(job.set_up, 1):
            progress(0.05 * number / len(job.set_up), f"recovering {wish.scan.name}")
            units = job.read.units if wish.units is None else wish.units
            alone = Job(
                scan=wish.scan,
                read=job.read.model_copy(update={"units": units}),
                clean=job.clean.model_copy(update={"exclude": wish.exclude}),
                recover=job.recover.model_copy(update={"accept": ()}),
            )
            found = run(alone, out=self._out / WORK / f"set-up-{number + 1}", until="recover")
            made.append(Scanned(found.source, found.clean, found.recover, wish, found.read.cautions))
        return tuple(made)

    def put_down(self, keep: set[str]) -> None:
        """Forget in memory what no later stage needs; it stays on disk."""
        self._held = {name: value for name, value in self._held.items() if name in keep}

    def _setting(self, name: str, parameter: str) -> Any:
        if parameter == "settings":
            return getattr(self._job, name)
        job = self._job
        parts = {
            "measured": job.measured,
            "refits": job.refit,
            "names": job.names,
            "exclude": job.clean.exclude,
            "recovery": job.recover,
            "balls": job.ball,
        }
        if self._alone(name) and parameter in ("measured", "refits", "names"):
            return type(parts[parameter])()
        return job if parameter == "job" else parts[parameter]

    def _ladder(self) -> str | None:
        """The curve that `datumlift ladder` left in the output folder, as SVG; one from elsewhere may hold anything."""
        if not self._folder.wrote(LADDER_CURVE):
            return None
        try:
            return (self._out / LADDER_CURVE).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return None

    def _plain(self, value: Any) -> Any:
        if isinstance(value, tuple):
            return [self._plain(item) for item in value]
        return value.model_dump(mode="json") if hasattr(value, "model_dump") else value

    def _file(self, name: str) -> Path:
        return self._out / _work_name(name)

    def _manifest(self) -> tuple[dict[str, str], tuple[str, str]]:
        """The keys of what was made, and digests of the file of names before and after."""
        if not self._folder.wrote(_MANIFEST):
            return {}, ("", "none")
        try:
            told = json.loads((self._out / _MANIFEST).read_text(encoding="utf-8"))
            names = told.get("names", {"before": "", "after": "none"})
            stages = {str(name): str(key) for name, key in told["stages"].items()}
            return stages, (str(names["before"]), str(names["after"]))
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            return {}, ("", "none")

    def _names_digest(self) -> str:
        try:
            return digest_of(self._out / NAMES_FILE)
        except OSError:
            return ""


def _write(path: Path, text: str) -> str:
    """Write a text file; its digest."""
    try:
        path.write_bytes(text.encode("utf-8"))
    except OSError as error:
        raise OutputError(
            f"{path.parent.parent} can't be written ({error.strerror or error}); free some space or choose another "
            "--out."
        ) from None
    return digest_of(path)


def _work_name(stage: str) -> str:
    return f"{WORK}/{stage}.npz"


def _not_ours(folder: OutputFolder, keep: tuple[str, ...], writes: bool) -> list[str]:
    """Refuse a folder that holds someone else's files, or this run's own input, under the names of ours.

    A folder that a version without markers left is gone into: its outputs, which are given back, are kept beside.
    """
    there = [path for pattern in OUTPUTS for path in folder.path.glob(pattern)] if writes else []
    names = [name for path in sorted(there) if (name := path.relative_to(folder.path).as_posix()) not in keep]
    folder.refuse_inputs(names)
    taken = [*filter(folder.holds, [*names, *map(_work_name, ORDER), _MANIFEST])]
    older = "datums.json" in taken and _is_datum_file(folder.path / "datums.json")
    if taken and not older and not folder.written:
        raise OutputError(
            f"{folder.path} holds a file {taken[0]} that this datumlift did not write (earlier versions kept no record "
            "of what they wrote); nothing was changed, choose another --out or move that file away."
        )
    return names if older and not folder.written else []


def _kept(out: Path, job_file: Path | None) -> tuple[str, ...]:
    """Names in the output folder that the export must leave as they are: the very job file that is run."""
    try:
        return ("job.toml",) if job_file is not None and os.path.samefile(job_file, out / "job.toml") else ()
    except OSError:
        return ()


def _is_datum_file(path: Path) -> bool:
    try:
        return "schema_version" in json.loads(text_of(path))
    except (OSError, ValueError, TypeError, RecursionError):
        return False


@contextlib.contextmanager
def _no_show(name: str) -> Iterator[Progress]:
    yield silent


def _digest_of(path: Path) -> str:
    try:
        return digest_of(path)
    except OSError as error:
        raise InputError(
            f"The scan {path} can't be read ({error.strerror}); check the file and its permissions."
        ) from None


def code_digest() -> str:
    """Of this package, the kinds of surface registered with it, and the libraries whose figures enter results: a new
    version makes results anew."""
    from pipeline.surfaces import files_from_outside

    root = Path(__file__).parent
    digest = hashlib.sha256(__version__.encode())
    ours = [path for path in sorted(root.rglob("*.py")) if "cli" not in path.relative_to(root).parts]
    for path in (*ours, *files_from_outside()):
        digest.update(path.read_bytes())
    for library, version in library_versions().items():
        digest.update(f"{library} {version}".encode())
    return digest.hexdigest()
