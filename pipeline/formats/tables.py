"""features.csv and relations.csv: the datum file's figures as tables, in part coordinates."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from pipeline.formats.meshes_out import MM_PER_INCH


def features_csv(data: dict[str, Any], unit: str = "mm") -> str:
    """One row a feature of a datum file; empty where there is no figure. unit: "mm" | "in", of all lengths."""
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH

    def times(value: float | None, factor: float = 1.0) -> float | None:
        return None if value is None else value * scale * factor

    columns: dict[str, Callable[[dict[str, Any]], Any]] = {
        "id": lambda f: f["id"],
        "name": lambda f: f["name"],
        "kind": lambda f: f["kind"],
        "side": lambda f: f["side"],
        "machined": lambda f: "yes" if f["machined"] else "no",
        "confidence": lambda f: f["confidence"],
        "constraint": lambda f: f["constraint"],
        **{f"{a}_{unit}": partial(_coordinate, scale, "point", k) for k, a in enumerate("xyz")},
        **{f"direction_{a}": partial(_coordinate, 1.0, "direction", k) for k, a in enumerate("xyz")},
        f"diameter_{unit}": lambda f: times(f["radius"], 2),
        "half_angle_deg": lambda f: f["half_angle"],
        f"major_diameter_{unit}": lambda f: times(f["major_radius"], 2),
        f"position_uncertainty_{unit}": lambda f: times(f["uncertainty"]["position"]),
        "direction_uncertainty_deg": lambda f: f["uncertainty"]["direction"],
        f"position_uncertainty_in_part_frame_{unit}": lambda f: times(_against_frame(f, "position")),
        "direction_uncertainty_in_part_frame_deg": lambda f: _against_frame(f, "direction"),
        f"diameter_uncertainty_{unit}": lambda f: times(f["uncertainty"]["radius"], 2),
        "form_standard": lambda f: f["form"]["standard"],
        f"form_peak_to_valley_{unit}": lambda f: times(f["form"]["peak_to_valley"]),
        f"form_rms_{unit}": lambda f: times(f["form"]["rms"]),
        f"area_{unit}2": lambda f: times(f["extent"]["area"], scale),
        f"length_{unit}": lambda f: times(f["extent"]["length"]),
        "arc_deg": lambda f: f["extent"]["arc"],
        f"light_shift_{unit}": lambda f: times((f["audit"] or {}).get("shift")),
        "light_tilt_deg": lambda f: (f["audit"] or {}).get("tilt"),
        f"light_radius_change_{unit}": lambda f: times((f["audit"] or {}).get("radius_change")),
    }
    return _table(columns, ([value(feature) for value in columns.values()] for feature in data["features"]))


def relations_csv(data: dict[str, Any], unit: str = "mm") -> str:
    """One row a relation of a datum file; `unit` is written beside each value."""
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    rows = []
    for relation in data["relations"]:
        angle = relation["unit"] == "deg"
        factor = 1.0 if angle else scale
        figures = [None if v is None else v * factor for v in (relation["value"], relation["uncertainty"])]
        rows.append([relation["kind"], *relation["between"], *figures, "deg" if angle else unit])
    return _table(("kind", "first", "second", "value", "uncertainty", "unit"), rows)


def _against_frame(feature: dict[str, Any], what: str) -> float | None:
    known = feature["in_part_frame"]["uncertainty"]
    return None if known is None else known[what]


def _coordinate(scale: float, what: str, axis: int, feature: dict[str, Any]) -> float | None:
    values = feature["in_part_frame"][what]
    return None if values is None else values[axis] * scale


def _table(columns: Iterable[str], rows: Iterable[list[Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    # Nine decimals are far below any figure's uncertainty; more would only show the float's own grain.
    writer.writerows([round(v, 9) + 0.0 if isinstance(v, float) else v for v in row] for row in rows)
    return text.getvalue()
