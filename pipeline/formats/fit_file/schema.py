"""The JSON Schema (draft 2020-12) of fit.json."""

from __future__ import annotations

from pipeline.formats.datum_file import schema_of
from pipeline.formats.fit_file.records import SCHEMA_VERSION, FitFile


def fit_schema_text() -> str:
    """The published schema of fit.json, as text; the same version gives the same bytes.

    >>> import json
    >>> json.loads(fit_schema_text())["$id"]
    'urn:datumlift:fit:1.0'
    """
    return schema_of(FitFile, "fit", SCHEMA_VERSION, "what was found of placed parts")
