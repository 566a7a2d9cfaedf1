"""One scan of a batch: what a worker does, and gives back."""

from __future__ import annotations

import os
import traceback
from pathlib import Path

from pipeline.errors import DatumliftError
from pipeline.formats.batch_file import Lifted, failed, lifted
from pipeline.formats.datum_file import read_datums
from pipeline.formats.names_file import NAMES_FILE
from pipeline.job import Job
from pipeline.output_folder import opened, until_free
from pipeline.runner import run

_LONGEST_NAME = 255  # bytes, of Linux's file systems
_PATIENCE = 60.0  # s that a worker which was given up may take to let go of the folder


def lift(job: Job, name: str, folder: Path, names: str | None, job_file: Path) -> Lifted:
    """Run a job on its scan into `folder`; whatever goes wrong is told in what is given back.

    name   of the scan, for people
    names  text of the file of names whose numbers the features are to have; None: they are counted here

    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp())
    >>> done = lift(Job(scan=place / "none.stl"), "none.stl", place / "none", None, place / "job.toml")
    >>> done.part.verdict, (place / "none").exists()
    ('unusable', False)
    """
    if len(os.fsencode(folder.name)) > _LONGEST_NAME:
        return failed(
            name, folder.name, "unusable", f"{name:.40}... is too long a name for a folder; name it otherwise."
        )
    try:
        until_free(folder, _PATIENCE)
        if names is not None and not os.path.lexists(folder / NAMES_FILE):
            run(job, out=folder, until="read", job_file=job_file)  # a scan that can't be read leaves no folder
            with opened(folder, (job.scan, job_file)) as room:
                room.put_text(NAMES_FILE, names)
        result = run(job, out=folder, job_file=job_file)
        return lifted(name, folder.name, read_datums(result.out / "datums.json"))
    except DatumliftError as error:
        return failed(name, folder.name, "unusable", str(error))
    except MemoryError:
        return failed(name, folder.name, "out of memory", "The worker ran out of memory; scan with fewer facets.")
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        told = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        return failed(
            name, folder.name, "fault",
            f"A fault of datumlift itself ({told}, at {Path(where.filename).name}:{where.lineno}); please report it "
            "with the job and the scan.",
        )  # fmt: skip
