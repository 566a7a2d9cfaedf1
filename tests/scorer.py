"""How well a datum file hits the exact truth of the part that was scanned.

A truth feature is hit by a found one of the same kind and side that lies where it lies: a plane within 1 deg and
0.3 mm and inside the face's reach; an axis within 2 deg and 0.5 mm, along its length, with the radius within 0.3 mm
(cylinder) or the half angle within 3 deg (cone); a centre within 0.5 mm. These are gates for "the same thing", not for
accuracy, which the tests ask for on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Hit:
    """angle deg, offset mm (of the plane, the axis or the centre), radius mm (found minus true)."""

    truth: str
    found: str
    angle: float
    offset: float
    radius: float


@dataclass(frozen=True)
class Score:
    hits: tuple[Hit, ...]
    missed: tuple[str, ...]
    false: tuple[str, ...]
    recall: float

    def hit(self, name: str) -> Hit:
        return next(hit for hit in self.hits if hit.truth == name)


def score(truth: dict[str, Any], datums: dict[str, Any]) -> Score:
    """Truth as sample_meshes writes it; datums as a datum file. Only required features count as missed."""
    wanted = [_placed(feature, np.array(truth.get("to_scan", np.eye(4)))) for feature in truth["features"]]
    found = datums["features"]
    pairs = [(t, f, hit) for t in wanted for f in found if (hit := _compare(t, f)) is not None]
    pairs.sort(key=lambda pair: pair[2].offset + pair[2].angle + abs(pair[2].radius))
    hits: dict[str, Hit] = {}
    taken: set[str] = set()
    for t, f, hit in pairs:
        if t["name"] not in hits and f["id"] not in taken:
            hits[t["name"]] = hit
            taken.add(f["id"])
    near_truth = {f["id"] for _, f, _ in pairs}
    required = [t["name"] for t in wanted if t.get("required", True)]
    missed = tuple(name for name in required if name not in hits)
    false = tuple(f["id"] for f in found if f["id"] not in near_truth)
    return Score(tuple(hits.values()), missed, false, 1 - len(missed) / len(required))


def _placed(feature: dict[str, Any], matrix: np.ndarray) -> dict[str, Any]:
    placed = {**feature, "point": matrix[:3, :3] @ np.array(feature["point"]) + matrix[:3, 3]}
    if feature.get("direction") is not None:
        direction = matrix[:3, :3] @ np.array(feature["direction"])
        placed["direction"] = direction / np.linalg.norm(direction)
    return placed


def _compare(t: dict[str, Any], f: dict[str, Any]) -> Hit | None:
    if t["kind"] != f["kind"] or (t.get("side") and f.get("side") and t["side"] != f["side"]):
        return None
    step = np.array(f["point"]) - t["point"]
    if t["kind"] == "sphere":
        offset, radius = float(np.linalg.norm(step)), f["radius"] - t["radius"]
        return Hit(t["name"], f["id"], 0.0, offset, radius) if max(offset, abs(radius)) <= 0.5 else None
    axis, other = t["direction"], np.array(f["direction"])
    angle = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(axis, other)), abs(axis @ other))))
    along = float(step @ axis)
    if t["kind"] == "plane":
        same_side = axis @ other > 0
        within = np.linalg.norm(step) <= t.get("reach", np.inf)
        same = same_side and within and angle <= 1 and abs(along) <= 0.3
        return Hit(t["name"], f["id"], angle, abs(along), 0.0) if same else None
    offset = float(np.linalg.norm(step - along * axis))
    length = t.get("length", 2 * t.get("reach", np.inf))
    if angle > 2 or offset > 0.5 or abs(along) > length / 2 + 2:
        return None
    radius = f["radius"] - t["radius"] if t["kind"] == "cylinder" else 0.0
    if abs(radius) > 0.3:
        return None
    if t["kind"] == "cone" and f.get("half_angle") is not None and abs(f["half_angle"] - t["half_angle"]) > 3:
        return None
    return Hit(t["name"], f["id"], angle, offset, radius)
