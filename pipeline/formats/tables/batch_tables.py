"""parts.csv and spread.csv: what the scans of a batch came to, and how far their features spread."""

from __future__ import annotations

from typing import Any

from pipeline.formats.batch_file import BatchFile
from pipeline.formats.tables.csv_tables import table_csv
from pipeline.geometry import MM_PER_INCH


def parts_csv(data: BatchFile, unit: str = "mm") -> str:
    """One row a scan, in the parts' order; lengths in `unit` "mm" | "in".

    >>> from pipeline.formats.batch_file import batch_record, failed
    >>> made = batch_record("job.toml", [failed("=a.stl", "a", "unusable", "cut short")], frozenset(), None)
    >>> parts_csv(made).splitlines()[1].split(",")[:5]  # no spreadsheet takes a name for a formula
    ['1', "'=a.stl", 'a', 'unusable', 'cut short']
    """
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    promises = list(dict.fromkeys((line.what, line.unit) for part in data.parts for line in part.budget))
    letters = sorted({letter for part in data.parts for letter in part.datums})
    head = [
        "number", "scan", "folder", "verdict", "why", "facets", *(f"size_{axis}_{unit}" for axis in "xyz"),
        f"noise_{unit}", "light_facets", *(f"datum_{letter}" for letter in letters), "frame_complete",
        "features", "features_of_low_confidence", "cautions",
        *(f"{what} ({unit if of == 'mm' else of})" for what, of in promises),
    ]  # fmt: skip
    rows: list[list[Any]] = []
    for number, part in enumerate(data.parts, 1):
        held = {(line.what, line.unit): line for line in part.budget}
        size = part.size or (None, None, None)
        complete = None if part.complete is None else "yes" if part.complete else "no"
        figures = [
            None
            if (line := held.get(key)) is None or line.value is None
            else line.value * (scale if key[1] == "mm" else 1)
            for key in promises
        ]
        rows.append([
            number, part.scan, part.folder, part.verdict, part.why, part.facets,
            *(None if v is None else v * scale for v in size), None if part.noise is None else part.noise * scale,
            part.light_facets, *(part.datums.get(letter) for letter in letters), complete, part.features, part.unsure,
            part.cautions, *figures,
        ])  # fmt: skip
    return table_csv(head, rows)


def spread_csv(data: BatchFile, unit: str = "mm") -> str:
    """One row a figure of a feature, with a column for each scan; lengths in `unit` "mm" | "in".

    >>> from pipeline.formats.batch_file import batch_record, lifted
    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> part = lifted("a.stl", "a", build(outcome()))
    >>> made = batch_record("job.toml", [part, part], frozenset({"cylinder-1"}), "a.stl")
    >>> spread_csv(made).splitlines()[1].split(",")[:6]
    ['cylinder-1', 'main bore', 'bore', 'diameter', 'mm', '2']
    """
    head = [
        "feature", "name", "what", "figure", "unit", "count", "mean", "sigma", "least", "largest", "measured_within",
        "parts_differ", "p_apart", "trend_per_part", "trend_within", "drifts", "p_trend",
        *(part.scan for part in data.parts),
    ]  # fmt: skip
    rows: list[list[Any]] = []
    for line in data.spread:
        scale = 1.0 / MM_PER_INCH if unit == "in" and line.unit == "mm" else 1.0

        def times(value: float | None, scale: float = scale) -> float | None:
            return None if value is None else value * scale

        rows.append([
            line.feature, line.name, line.term, line.figure, unit if line.unit == "mm" else line.unit, line.count,
            *map(times, (line.mean, line.sigma, line.least, line.largest, line.measured_within)),
            _word(line.apart), line.p_apart, times(line.trend), times(line.trend_within), _word(line.drifts),
            line.p_trend, *map(times, line.values),
        ])  # fmt: skip
    return table_csv(head, rows)


def _word(told: bool | None) -> str | None:
    return None if told is None else "yes" if told else "no"
