"""A batch: which part gives the numbers, every scan with the same job, and the tables."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.batch.one_scan import lift
from pipeline.batch.scans import ScanFile, memory_of, scans_of
from pipeline.batch.workers import Work, WorkerLost, given_out, workers
from pipeline.errors import SettingsError
from pipeline.formats.batch_file import HELD, BatchFile, Lifted, PartRecord, batch_record, failed
from pipeline.formats.datum_file import text_of
from pipeline.formats.names_file import NAMES_FILE, read_names
from pipeline.formats.tables import parts_csv, spread_csv
from pipeline.job import Job, load_job
from pipeline.output_folder import WORK, OutputFolder, opened
from pipeline.part_frame import placed
from pipeline.runner import default_out

_FILES = ("batch.json", "batch.html", "parts.csv", "spread.csv")
Told = Callable[[PartRecord, int, int], None]
"""Called as each scan ends, with what came of it, how many have ended, and how many there are."""


@dataclass(frozen=True)
class Batched:
    """out: the batch's folder; record: what its batch.json says."""

    out: Path
    record: BatchFile


def run_batch(
    source: Path, job_file: Path, *, out: Path | None = None, scheduler: str | None = None, told: Told | None = None
) -> Batched:
    """Run every scan of a folder or a list with one job, each into a folder of its own, and write the tables.

    source     a folder of scans, or a text file with the path of one on each line
    out        the batch's folder; default: beside `source`, named after it, with "-batch"
    scheduler  address of a Dask scheduler; None: workers on this machine
    told       is told of each scan as it ends

    What an earlier batch into the folder made is used again as a run does. Features have the numbers of the file of
    names that lies in the folder; without one those of the job's own scan, if that was run, else those of the first
    scan that goes through. Raises SettingsError for a job that is of one part only, InputError and OutputError for
    what concerns all scans; what concerns one stands in the record.
    """
    job = _job(job_file)
    scans = scans_of(source, (*_FILES, NAMES_FILE, WORK))
    place = out or source.resolve().with_name(f"{source.resolve().stem}-batch")
    inputs = (job_file, *(() if source.is_dir() else (source,)), *(scan.path for scan in scans))
    jobs = [job.model_copy(update={"scan": Path(os.path.realpath(scan.path)), "out": None}) for scan in scans]
    with opened(place, inputs) as folder:
        folder.refuse_inputs(_FILES)
        names = _names_there(place, job)
        if names is not None and not (place / NAMES_FILE).exists():
            folder.put_text(NAMES_FILE, names)
        found: dict[int, Lifted] = {}
        with workers([memory_of(scan.path) for scan in scans], scheduler) as client:
            do = functools.partial(_do, client, scans, jobs, place.resolve(), job_file.resolve(), found, told)
            for number in range(len(scans)):
                if names is not None:
                    break
                do([number], None)
                names = _names_of(place, scans[number], found[number])
                if names is not None:
                    folder.put_text(NAMES_FILE, names)
            do([number for number in range(len(scans)) if number not in found], names)
        book = read_names(place / NAMES_FILE)
        numbers = frozenset(feature.id for feature in book.features)
        done = [found[number] for number in range(len(scans))]
        record = batch_record(job_file.name, done, numbers, book.scan or None, folder.told)
        _write(folder, record, job.export.units)
        if len(folder.told) > 0:
            record = record.model_copy(update={"cautions": (*folder.told, *record.cautions)})
    return Batched(place, record)


def _job(job_file: Path) -> Job:
    job = load_job(job_file)
    for what, there in (("[[set_up]]", job.set_up), ("[[measured]]", job.measured)):
        if there:
            raise SettingsError(f"{job_file} has {what}, which is of one part and no other; take it out for a batch.")
    try:
        placed(job, "", Path("a batch"), None, "", 1.0)
    except SettingsError as error:
        setting = str(error).partition(":")[0]
        raise SettingsError(
            f"{job_file}: {setting} has a place in part coordinates, and each scan of a batch lies elsewhere; name the "
            "feature by its number or its name instead."
        ) from None
    return job


def _do(
    client: object, scans: Sequence[ScanFile], jobs: Sequence[Job], place: Path, job_file: Path,
    found: dict[int, Lifted], told: Told | None, wanted: Sequence[int], names: str | None,
) -> None:  # fmt: skip
    """Have the scans of these numbers run, and put what came of each into `found`."""
    work = [
        Work((jobs[k], scans[k].name, place / scans[k].folder, names, job_file), memory_of(scans[k].path))
        for k in wanted
    ]
    for number, made in given_out(client, lift, work):
        scan = scans[wanted[number]]
        if isinstance(made, WorkerLost):
            made = failed(
                scan.name, scan.folder, "out of memory",
                "Each worker that was at it died, of lack of memory as a rule; scan with fewer facets, or give it a "
                "machine with more memory.",
            )  # fmt: skip
        assert isinstance(made, Lifted)
        found[wanted[number]] = made
        if told is not None:
            told(made.part, len(found), len(scans))


def _names_there(place: Path, job: Job) -> str | None:
    """The file of names of the batch, or of the job's own run."""
    own = job.out if job.out is not None else default_out(job.scan)
    return next(filter(None, (_names_in(folder) for folder in (place, own))), None)


def _names_of(place: Path, scan: ScanFile, found: Lifted) -> str | None:
    """The same of a scan of the batch."""
    if found.part.verdict not in HELD:
        return None
    return _names_in(place / scan.folder)


def _names_in(folder: Path) -> str | None:
    """The text of a folder's file of names, as it stands there."""
    path = folder / NAMES_FILE
    return path.read_text(encoding="utf-8") if read_names(path).features else None


def _write(folder: OutputFolder, record: BatchFile, unit: str) -> None:
    from pipeline.report.batch import batch_page

    texts = {
        "batch.json": text_of(record),
        "batch.html": batch_page(record, unit),
        "parts.csv": parts_csv(record, unit),
        "spread.csv": spread_csv(record, unit),
    }
    for name, text in texts.items():
        folder.put_text(name, text)
