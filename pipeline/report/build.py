"""report.html and pictures/: put together from the datum file's data, the light mesh and the residual maps."""

from __future__ import annotations

import base64
import importlib.resources
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture

from pipeline.mesh.surface import FILLED
from pipeline.report.charts import histogram
from pipeline.report.colours import diverging, kind_colour, kind_hatch, look_of
from pipeline.report.maps import ResidualMap
from pipeline.report.page import Pictures, page
from pipeline.report.views import DIRECTIONS, Mark, Part, draw_all, hatch_tile
from pipeline.report.words import Words

HATCHES = ("none", "rising", "falling", "dots", "grid", "level")
RAMP = 255


@dataclass(frozen=True)
class Shown:
    """The light mesh in part coordinates: vertices (n, 3) mm, faces (m, 3), labels (m,) index of feature or -1,
    origin (m,) uint8, deviation (n,) signed distance from the scan in mm, not-a-number where there is none."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    labels: NDArray[np.int32]
    origin: NDArray[np.uint8]
    deviation: NDArray[np.float32]


def write_report(
    data: dict[str, Any], shown: Shown, maps: Sequence[ResidualMap], job: str, folder: Path, unit: str
) -> None:
    """Write report.html and pictures/ into `folder`. data: the datum file's; job: the job file's text as run."""
    looks = _looks(data, shown)
    limit = _limit(data, shown)
    part = Part(shown.vertices, shown.faces, looks)
    drawn = draw_all(part, _marks(data))
    (folder / "pictures").mkdir(exist_ok=True)
    views = {}
    for name, picture in drawn.items():
        flat = picture.quantize(64, dither=Picture.Dither.NONE)
        raw = _png(flat)
        (folder / "pictures" / f"{_file_name(name)}.png").write_bytes(raw)
        views[name] = _url(raw)
    curve = histogram(shown.deviation, _budget_limit(data), limit, Words(unit))
    (folder / "pictures" / "deviation.svg").write_text(curve, encoding="utf-8")
    unrolled = {}
    for cells in maps:
        raw = _png(_map_picture(cells, limit))
        (folder / "pictures" / f"residuals-{_file_name(cells.feature)}.png").write_bytes(raw)
        unrolled[cells.feature] = (_url(raw), f"{cells.across}, by {cells.down}")
    present = [
        name for name in ("plane", "bore", "boss", "cone", "sphere", "torus", "filled", "none") if name in set(looks)
    ]
    keys = {_KEY_NAMES[name]: _url(_png(_key(name))) for name in present}
    ramp = _png(Picture.fromarray(diverging(np.linspace(-1, 1, RAMP)[None], 1.0)))
    pictures = Pictures(views, unrolled, keys, _url(ramp), curve, limit)
    html = page(data, pictures, _scene(data, shown, limit, unit), _text("style.css"), _text("viewer.js"), job, unit)
    (folder / "report.html").write_text(html, encoding="utf-8", newline="\n")


_KEY_NAMES = {
    "plane": "plane", "bore": "bore", "boss": "boss", "cone": "cone", "sphere": "sphere", "torus": "torus",
    "filled": "filled, invented", "none": "no feature",
}  # fmt: skip


def _text(name: str) -> str:
    return importlib.resources.files("pipeline.report").joinpath(name).read_text("utf-8")


def _looks(data: dict[str, Any], shown: Shown) -> NDArray[np.str_]:
    names = [look_of(f["kind"], f["side"]) for f in data["features"]]
    table = np.array([*names, "none"], dtype="U8")
    looks = table[shown.labels]
    looks[shown.origin == FILLED] = "filled"
    return looks


def _limit(data: dict[str, Any], shown: Shown) -> float:
    """Where the colours end: the budget where there is one, else what 99 % of the light mesh keeps within."""
    budget = _budget_limit(data)
    if budget is not None:
        return budget
    known = np.abs(shown.deviation[np.isfinite(shown.deviation)])
    return max(float(np.quantile(known, 0.99)) if len(known) else 0.0, 1e-3)


def _budget_limit(data: dict[str, Any]) -> float | None:
    return next((line["limit"] for line in data["audit"]["budget"] if line["what"] == "max_deviation"), None)


def _marks(data: dict[str, Any]) -> list[Mark]:
    marks = []
    for datum in data["frame"]["datums"]:
        feature = next((f for f in data["features"] if f["id"] == datum["feature"]), None)
        if feature is not None:
            place = feature["in_part_frame"]
            normal = np.array(place["direction"]) if feature["kind"] == "plane" else None
            marks.append(Mark(datum["letter"], np.array(place["point"]), normal))
    return marks


def _scene(data: dict[str, Any], shown: Shown, limit: float, unit: str) -> dict[str, Any]:
    """What the 3D view draws; positions and deviations are whole numbers of a step that no eye can see."""
    vertices, faces = shown.vertices, shown.faces
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    centre, step = (low + high) / 2, np.maximum(high - low, 1e-6) / 65000
    positions = np.round((vertices - centre) / step).astype("<i2")
    deviation_step = 4 * limit / 32000
    deviations = np.clip(np.round(np.nan_to_num(shown.deviation) / deviation_step), -32000, 32000).astype("<i2")
    kinds = np.zeros((max(1, len(data["features"])), 4), dtype=np.uint8)
    for index, feature in enumerate(data["features"]):
        look = look_of(feature["kind"], feature["side"])
        kinds[index] = (*kind_colour(look), HATCHES.index(kind_hatch(look)))
    ramp = np.full((RAMP, 4), 255, dtype=np.uint8)
    ramp[:, :3] = diverging(np.linspace(-1, 1, RAMP), 1.0)
    letters = [[mark.letter, [float(x) for x in mark.point]] for mark in _marks(data)]
    on_frame = {d["feature"] for d in data["frame"]["datums"]}
    return {
        "positions": _base64(positions.tobytes()),
        "faces": _base64(faces.astype("<u4").tobytes()),
        "deviations": _base64(deviations.tobytes()),
        "labels": _base64(shown.labels.astype("<i2").tobytes()),
        "origins": _base64(shown.origin.tobytes()),
        "step": [float(x) for x in step],
        "centre": [float(x) for x in centre],
        "middle": [float(x) for x in centre],
        "size": float(np.linalg.norm(high - low)),
        "deviation_step": float(deviation_step),
        "limit": float(limit),
        "unit": unit,
        "ramp": _base64(ramp.tobytes()),
        "ramp_size": RAMP,
        "kinds": _base64(kinds.tobytes()),
        "plain": [c / 255 for c in kind_colour("none")],
        "datum_marks": letters,
        "datum_features": [i for i, f in enumerate(data["features"]) if f["id"] in on_frame],
    }


def _map_picture(cells: ResidualMap, limit: float) -> Picture.Image:
    known = np.isfinite(cells.cells)
    colours = diverging(cells.cells, limit)
    picture = np.dstack([colours, np.where(known, 255, 0).astype(np.uint8)])
    return Picture.fromarray(picture).resize((2 * picture.shape[1], 2 * picture.shape[0]), Picture.Resampling.NEAREST)


def _key(look: str) -> Picture.Image:
    return Picture.fromarray(hatch_tile(look, 28, 56))


def _png(picture: Picture.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()


def _url(raw: bytes) -> str:
    return f"data:image/png;base64,{_base64(raw)}"


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _file_name(name: str) -> str:
    signs = {"from +": "plus-", "from -": "minus-"}
    for sign, word in signs.items():
        if name in DIRECTIONS and name.startswith(sign):
            return word + name[len(sign) :].lower()
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)
