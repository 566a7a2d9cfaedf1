"""features.csv and relations.csv: the datum file's figures as tables, in part coordinates."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from typing import Any

from pipeline.features.naming import SIDES, term_of
from pipeline.formats.datum_file import DatumFile, FeatureRecord
from pipeline.geometry import MM_PER_INCH


def features_csv(data: DatumFile, unit: str = "mm") -> str:
    """One row a feature of a datum file, in part coordinates; empty where there is no figure. unit: "mm" | "in", of all
    lengths; angles in degrees.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> bore = list(csv.DictReader(io.StringIO(features_csv(build(outcome())))))[6]
    >>> bore["id"], bore["name"], bore["diameter_mm"], bore["half_angle_deg"]
    ('cylinder-1', 'main bore', '40.0', '')
    """
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH

    def times(value: float | None, factor: float = 1.0) -> float | None:
        return None if value is None else value * scale * factor

    columns: dict[str, Callable[[FeatureRecord], Any]] = {
        "id": lambda f: f.id,
        "name": lambda f: f.name,
        "kind": lambda f: f.kind,
        "what": term_of,
        "side": lambda f: None if f.side is None else SIDES[f.side],
        "machined": lambda f: "yes" if f.machined else "no",
        "confidence": lambda f: f.confidence,
        "constraint": lambda f: f.constraint,
        f"x_{unit}": lambda f: times(f.in_part_frame.point[0]),
        f"y_{unit}": lambda f: times(f.in_part_frame.point[1]),
        f"z_{unit}": lambda f: times(f.in_part_frame.point[2]),
        "direction_x": lambda f: _component(f, 0),
        "direction_y": lambda f: _component(f, 1),
        "direction_z": lambda f: _component(f, 2),
        f"diameter_{unit}": lambda f: times(f.radius, 2),
        "half_angle_deg": lambda f: f.half_angle,
        f"major_diameter_{unit}": lambda f: times(f.major_radius, 2),
        f"position_uncertainty_{unit}": lambda f: times(f.uncertainty.position),
        "direction_uncertainty_deg": lambda f: f.uncertainty.direction,
        f"position_uncertainty_in_part_frame_{unit}": lambda f: times(_against_frame(f)[0]),
        "direction_uncertainty_in_part_frame_deg": lambda f: _against_frame(f)[1],
        f"diameter_uncertainty_{unit}": lambda f: times(f.uncertainty.radius, 2),
        "form_standard": lambda f: f.form.standard,
        f"form_peak_to_valley_{unit}": lambda f: times(f.form.peak_to_valley),
        f"form_noise_share_{unit}": lambda f: times(f.form.noise_share),
        "form_told_from_noise": lambda f: None if f.form.told is None else "yes" if f.form.told else "no",
        f"form_of_means_{unit}": lambda f: times(f.form.of_means),
        f"form_noise_of_means_{unit}": lambda f: times(f.form.noise_of_means),
        f"form_rms_{unit}": lambda f: times(f.form.rms),
        f"area_{unit}2": lambda f: times(f.extent.area, scale),
        f"length_{unit}": lambda f: times(f.extent.length),
        "arc_deg": lambda f: f.extent.arc,
        f"light_shift_{unit}": lambda f: times(None if f.audit is None else f.audit.shift),
        "light_tilt_deg": lambda f: None if f.audit is None else f.audit.tilt,
        f"light_radius_change_{unit}": lambda f: times(None if f.audit is None else f.audit.radius_change),
    }
    return table_csv(columns, ([value(feature) for value in columns.values()] for feature in data.features))


def relations_csv(data: DatumFile, unit: str = "mm") -> str:
    """One row a relation of a datum file; `unit` ("mm" | "in", or "deg" of angles) is written beside each value.

    least, largest  of a distance between what isn't parallel, over what was seen of the second

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> relations_csv(build(outcome()), "in").splitlines()[-1]  # 30 mm apart
    'distance,plane-1,plane-2,1.181102362,7.874e-05,in,,,'
    """
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    rows = []
    for relation in data.relations:
        angle = relation.unit == "deg"
        factor = 1.0 if angle else scale
        over = relation.over or (None, None)
        figures = [None if v is None else v * factor for v in (relation.value, relation.uncertainty, *over)]
        ends = ["deg" if angle else unit, relation.p_adjusted, *figures[2:]]
        rows.append([relation.kind, *relation.between, *figures[:2], *ends])
    head = ("kind", "first", "second", "value", "uncertainty", "unit", "p_adjusted", "least", "largest")
    return table_csv(head, rows)


def _against_frame(feature: FeatureRecord) -> tuple[float | None, float | None]:
    known = feature.in_part_frame.uncertainty
    return (None, None) if known is None else (known.position, known.direction)


def _component(feature: FeatureRecord, axis: int) -> float | None:
    direction = feature.in_part_frame.direction
    return None if direction is None else direction[axis]


def table_csv(columns: Iterable[str], rows: Iterable[list[Any]]) -> str:
    """A table as CSV: no text in it that a spreadsheet would take for a formula.

    >>> table_csv(["name", "mm"], [["=1+1", 0.5]]).splitlines()
    ['name,mm', "'=1+1,0.5"]
    """
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(map(_harmless, columns))
    # Nine decimals are far below any figure's uncertainty; more would only show the float's own grain.
    writer.writerows([round(v, 9) + 0.0 if isinstance(v, float) else _harmless(v) for v in row] for row in rows)
    return text.getvalue()


def _harmless(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula with an apostrophe before it, which makes it text again."""
    return f"'{value}" if isinstance(value, str) and value.lstrip()[:1] in ("=", "+", "-", "@") else value
