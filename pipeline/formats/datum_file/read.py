"""Reading a datum file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.files import text_of
from pipeline.formats.datum_file.records import SCHEMA_VERSION, DatumFile


def read_datums(path: str | Path) -> DatumFile:
    """The datum file at `path`, such as the `datums.json` of a run, as a frozen record with typed attributes.

    Units are those of the file: mm, degrees, unit vectors. Vectors are tuples of 3 floats, places in a flange's
    sketch tuples of 2, matrices 4 tuples of 4, row-major; None where the file has null. Points and directions are in
    scan coordinates, those of a feature in part coordinates under `in_part_frame`; `frame.matrix` moves the one to
    the other. Keys that a later version of the same major number has added are passed over.

    Raises InputError, with one sentence, where the file can't be read, is not JSON or not a datum file, has another
    major `schema_version`, or where a figure in it is not what the published schema (`datumlift schema`) asks for:
    the sentence says which.

    >>> import pathlib, tempfile
    >>> import pipeline
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "datums.json"
    >>> _ = path.write_text('''{
    ...   "schema_version": "1.0", "units": {"length": "mm", "angle": "deg"},
    ...   "source": {"file": "plate.stl", "sha256": "", "facets": 8, "vertices": 6, "unit_factor": 1.0,
    ...     "noise_sigma": null, "mean_edge": 50.0, "bounds": [[0, 0, 0], [50, 50, 50]]},
    ...   "frame": {"matrix": [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, -50], [0, 0, 0, 1]], "datums": [],
    ...     "complete": false},
    ...   "features": [{"id": "plane-1", "kind": "plane", "side": null, "point": [25, 25, 50], "direction": [0, 0, 1],
    ...     "radius": null, "in_part_frame": {"point": [25, 25, 0], "direction": [0, 0, 1]},
    ...     "extent": {"area": 2500, "length": null, "arc": null},
    ...     "uncertainty": {"position": 0.002, "direction": 0.001, "radius": null, "method": "made up"},
    ...     "form": {"rms": 0.01, "peak_to_valley": 0.05, "inliers": 1, "standard": "flatness"}, "audit": null}],
    ...   "patterns": [], "relations": [],
    ...   "audit": {"budget": [], "within_budget": true,
    ...     "scan_to_light": {"rms": 0.01, "p95": 0.02, "p99": 0.03, "max": 0.05},
    ...     "light_to_scan": {"rms": 0.01, "p95": 0.02, "p99": 0.03, "max": 0.05},
    ...     "facets_before": 8, "facets_after": 8, "area_filled": 0, "area_measured": 12000},
    ...   "cautions": []}''')
    >>> datums = pipeline.read_datums(path)
    >>> for feature in datums.features:
    ...     print(feature.id, feature.kind, feature.in_part_frame.point, feature.uncertainty.position)
    plane-1 plane (25.0, 25.0, 0.0) 0.002
    """
    path = Path(path)
    text = _text_of(path)
    _refuse_others(path, text)
    try:
        return DatumFile.model_validate_json(text)
    except ValidationError as error:
        raise InputError(_sentence(error, path)) from None


def _text_of(path: Path) -> str:
    try:
        return text_of(path)
    except FileNotFoundError:
        raise InputError(
            f"There is no datum file {path}; check the name, or make one with: datumlift run SCAN"
        ) from None
    except OSError as error:
        raise InputError(f"The datum file {path} can't be read ({error.strerror}); check it and try again.") from None
    except UnicodeDecodeError:
        raise InputError(f"{path} is not UTF-8 text, so it is no datum file; give a run's datums.json.") from None


def _refuse_others(path: Path, text: str) -> None:
    """Raise InputError where the text is not JSON, not a datum file, or of another major version."""
    try:
        data: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        told = " ".join(str(error).split())
        raise InputError(f"{path} is not JSON ({told}); it may be cut off: make it again with datumlift run.") from None
    version = data.get("schema_version") if isinstance(data, dict) else None
    if not isinstance(version, str):
        raise InputError(f"{path} is JSON but not a datum file: it states no schema_version; give a run's datums.json.")
    ours = SCHEMA_VERSION.partition(".")[0]
    if version.partition(".")[0] != ours:
        raise InputError(
            f"{path} has schema_version {version!r:.40}, and this datumlift reads {ours}.x; "
            "make it again with datumlift run, or read it with the version that wrote it."
        )


def _sentence(error: ValidationError, path: Path) -> str:
    first = error.errors(include_url=False)[0]
    place = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in first["loc"]).lstrip(".")
    more = "" if error.error_count() == 1 else f" ({error.error_count() - 1} more like it)"
    if first["type"] == "missing":
        return f"{path} is not a whole datum file: {place} is missing; make it again with datumlift run.{more}"
    message = first["msg"].removeprefix("Value error, ")
    message = " ".join((message[:1].lower() + message[1:]).split())
    return f"{path} is not a valid datum file: {place} is wrong, {message}; make it again with datumlift run.{more}"
