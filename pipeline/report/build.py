"""report.html and pictures/: put together from the datum file's data, the light mesh and the residual maps."""

from __future__ import annotations

import base64
import html
import importlib.resources
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture

from pipeline.features.naming import term_of_look
from pipeline.formats.datum_file import DatumFile, lengths_in
from pipeline.geometry import box_of
from pipeline.mesh.topology import facet_areas
from pipeline.palette import (
    LINED,
    PALE,
    TINTED,
    colour,
    diverging,
    feature_looks,
    lined,
    look_colour,
    look_hatch,
    look_of,
    style_sheet,
)
from pipeline.report import charts
from pipeline.report.figures import Figures
from pipeline.report.first_screen import described, doubt
from pipeline.report.groups import Group
from pipeline.report.maps import ResidualMap, map_limit, map_picture, map_sheet
from pipeline.report.page import Pictures, page
from pipeline.report.raster import HATCHES
from pipeline.report.tables import named
from pipeline.report.views import (
    CORNER_NAME,
    DIRECTIONS,
    Mark,
    Part,
    draw_all,
    draw_closeups,
    hatch_tile,
)
from pipeline.report.words import NONE, Words
from pipeline.values import FILLED

RAMP = 255
# What the 3D view takes from the palette, beside the looks of the features and the ramp.
_IN_3D = ("paper", "ink", "no feature", "unknown", "filled", "chosen", "faded")
# So many residual maps, the largest, stand in the page; all stand in pictures/.
MAPS_IN_PAGE = 60
# What the looks that are no feature's are called in the key.
OTHER_KEYS = {"none": "no feature", "filled": "filled: invented"}


@dataclass(frozen=True)
class Shown:
    """A mesh in part coordinates, as the report shows it.

    vertices   (n, 3) mm
    faces      (m, 3)
    labels     (m,) index of feature or -1
    origin     (m,) uint8, as in `Surface`
    deviation  (n,) signed distance from the scan in mm, not-a-number where there is none
    thinned    it has fewer facets than the light mesh
    suspects   for each proposal of what is not the part, (m,) its facets; `closings` for each gap whose closing is
               proposed, those round it
    refused    (m,) number of the listed refused surface that a facet lies on, 0 none; None: none is listed
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    labels: NDArray[np.int32]
    origin: NDArray[np.uint8]
    deviation: NDArray[np.float32]
    thinned: bool = False
    suspects: tuple[NDArray[np.bool_], ...] = ()
    closings: tuple[NDArray[np.bool_], ...] = ()
    refused: NDArray[np.int32] | None = None


def write_report(
    data: DatumFile,
    shown: Shown,
    maps: Sequence[ResidualMap],
    job: str,
    folder: Path,
    unit: str,
    ladder: str | None = None,
    section: str = "",
) -> None:
    """Write report.html and pictures/ into `folder`.

    data    the datum file
    shown   the mesh of its views, which may be empty: then there are none
    maps    of `residual_maps`
    job     the job file's text as run
    unit    "mm" | "in", of all lengths shown
    ladder  the curve of `datumlift ladder`, SVG text
    section the half-section along the main axis, SVG text, "" where there is none

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> none = np.zeros(0, dtype=np.int32)
    >>> empty = Shown(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32), none, none.astype("u1"), none.astype("f4"))
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_report(build(outcome()), empty, (), "scan = 'plate.stl'", folder, "mm")
    >>> "<title>Test plate" in (folder / "report.html").read_text(encoding="utf-8")
    True
    """
    data = lengths_in(data, unit)
    words, beside = Words(unit), folder / "pictures"
    beside.mkdir(exist_ok=True)
    limit = _limit(data, shown)
    views: dict[str, str] = {}
    keys: dict[str, str] = {}
    curve = ""
    closeups: dict[str, list[str]] = {"not-the-part": [], "closing": []}
    refused: dict[str, str] = {}
    if len(shown.faces):
        looks = _looks(data, shown)
        part = Part(shown.vertices, shown.faces, looks, shown.labels)
        for name, picture in draw_all(part, marks_of(data), unit, numbers=_numbers(data)).items():
            views[name] = _kept(_flat(picture), beside / f"{_view_file(name)}.png")
        for name, those in (("not-the-part", shown.suspects), ("closing", shown.closings)):
            for number, close in enumerate(draw_closeups(part, those, unit), 1):
                path = beside / f"{name}-{number}.png"
                closeups[name].append("" if close is None else _kept(_flat(close), path))
        if shown.refused is not None:
            marked = np.where(shown.refused > 0, "suspect", "none")
            numbered = draw_all(
                Part(shown.vertices, shown.faces, marked, shown.refused), (), unit, numbers=_refused_numbers(data)
            )
            refused = {n: _kept(_flat(p), beside / f"refused-{_view_file(n)}.png") for n, p in numbered.items()}
        present = set(looks.tolist())
        keys = {text: _url(_png(_key(name))) for name, text in _key_words().items() if name in present}
        curve = _histogram(data, shown, limit, words, beside)
    most = map_limit(maps)
    largest = sorted(maps, key=lambda cells: -cells.area)[:MAPS_IN_PAGE]
    in_page = {cells.feature for cells in largest}
    unrolled = {}
    for cells in maps:
        sheet = map_sheet(cells, most, words)
        _kept(_flat(sheet), beside / f"residuals-{_file_name(cells.feature)}.png")
        if cells.feature in in_page:
            unrolled[cells.feature] = (_url(_png(map_picture(cells, most))), cells.sides(words))
    ramp = _url(_png(Picture.fromarray(lined(np.repeat(np.linspace(-1, 1, RAMP)[None], 16, axis=0), 1.0))))
    corner = views.pop(CORNER_NAME, "")
    more = len(maps) - len(unrolled)
    rungs = "" if ladder is None else f"data:image/svg+xml;base64,{base64.b64encode(ladder.encode()).decode()}"
    proposals, closings = (tuple(made) for made in closeups.values())
    pictures = Pictures(
        corner, views, unrolled, keys, ramp, curve, limit, most, more, rungs, proposals, refused, closings, section
    )
    scene = scene_of(data, shown, limit, unit)
    text = page(data, pictures, scene, style_sheet() + _text("style.css"), _text("viewer.js"), job, unit)
    (folder / "report.html").write_text(text, encoding="utf-8", newline="\n")


def marks_of(data: DatumFile) -> list[Mark]:
    """The datum letters of a datum file, each with its feature in part coordinates."""
    places = {feature.id: number for number, feature in enumerate(data.features)}
    marks = []
    for datum in data.frame.datums:
        if datum.feature not in places:
            continue
        marks.append(_mark(datum.letter, places[datum.feature], data))
    return marks


def _numbers(data: DatumFile) -> list[Mark]:
    """The number of each feature, those of which the least was seen last."""
    order = sorted(range(len(data.features)), key=lambda i: -data.features[i].extent.area)
    return [_mark(data.features[i].id, i, data) for i in order]


def _mark(text: str, index: int, data: DatumFile) -> Mark:
    feature = data.features[index]
    at, along = feature.in_part_frame, feature.extent.along
    direction = None if at.direction is None else np.array(at.direction)
    stretch = None if along is None else (float(along[0]), float(along[1]))
    return Mark(text, index, np.array(at.point), direction, feature.radius, stretch)


def _refused_numbers(data: DatumFile) -> list[Mark]:
    """Numbers of the refused surfaces that are listed, in their order."""
    listed = sorted((r.number, r.place) for r in data.rejected if r.number is not None and r.place is not None)
    return [Mark(f"X{number}", number, np.array(place), None, None, None) for number, place in listed]


def _text(name: str) -> str:
    return importlib.resources.files("pipeline.report").joinpath(name).read_text("utf-8")


def _looks(data: DatumFile, shown: Shown) -> NDArray[np.str_]:
    names = [look_of(f) for f in data.features]
    table = np.array([*names, "none"])
    return np.where(shown.origin == FILLED, "filled", table[shown.labels])


def _limit(data: DatumFile, shown: Shown) -> float:
    """Where the colours end: the budget where there is one, else what 99 % of the light mesh keeps within."""
    budget = _budget_limit(data)
    if budget is not None:
        return budget
    known = np.abs(shown.deviation[np.isfinite(shown.deviation)])
    return charts.round_up(float(np.quantile(known, 0.99)) if len(known) else 0.0)


def _budget_limit(data: DatumFile) -> float | None:
    return next((line.limit for line in data.audit.budget if line.what == "deviation"), None)


def _histogram(data: DatumFile, shown: Shown, limit: float, words: Words, beside: Path) -> str:
    """The chart as SVG text; a picture of it stands beside the report."""
    measured = shown.origin != FILLED
    faces = shown.faces[measured]
    # Each corner stands for a third of its facet: means over facets would hide what lies far off.
    values, areas = shown.deviation[faces].ravel(), np.repeat(facet_areas(shown.vertices, faces) / 3, 3)
    ways = (data.audit.scan_to_light.max, data.audit.light_to_scan.max)
    largest = max((way for way in ways if way is not None), default=None)
    bars = charts.bars_of(values, areas, _budget_limit(data), limit, largest)
    _kept(_flat(charts.histogram_picture(bars, words)), beside / "deviation.png")
    return charts.histogram_svg(bars, words)


def scene_of(data: DatumFile, shown: Shown, limit: float, unit: str) -> dict[str, Any]:
    """What the 3D view draws; positions and deviations are whole numbers of a step that no eye can see."""
    vertices, faces = shown.vertices, shown.faces
    low, high = box_of(vertices) if len(vertices) else (np.zeros(3), np.ones(3))
    centre, step = (low + high) / 2, np.maximum(high - low, 1e-6) / 65000
    positions = np.round((vertices - centre) / step).astype("<i2")
    deviation_step = 4 * limit / 32000
    known = np.isfinite(shown.deviation)
    deviations = np.where(
        known, np.clip(np.round(np.nan_to_num(shown.deviation) / deviation_step), -32000, 32000), -32768
    )
    kinds = np.zeros((max(1, len(data.features)), 4), dtype=np.uint8)
    for index, feature in enumerate(data.features):
        look = look_of(feature)
        kinds[index] = (*look_colour(look), HATCHES.index(look_hatch(look)))
    ramp = np.full((RAMP, 4), 255, dtype=np.uint8)
    ramp[:, :3] = diverging(np.linspace(-1, 1, RAMP), 1.0)
    on_frame = {d.feature for d in data.frame.datums}
    return {
        "positions": _base64(positions.tobytes()),
        "faces": _base64(faces.astype("<u4").tobytes()),
        "deviations": _base64(deviations.astype("<i2").tobytes()),
        "labels": _base64(shown.labels.astype("<i4").tobytes()),
        "origins": _base64(shown.origin.tobytes()),
        "step": [float(x) for x in step],
        "centre": [float(x) for x in centre],
        "size": float(np.linalg.norm(high - low)),
        "deviation_step": float(deviation_step),
        "limit": float(limit),
        "lined": LINED,
        "unit": unit,
        "ramp": _base64(ramp.tobytes()),
        "ramp_size": RAMP,
        "kinds": _base64(kinds.tobytes()),
        "colours": {name: [c / 255 for c in colour(name)] for name in _IN_3D},
        "tinted": TINTED,
        "pale": PALE,
        "datum_marks": [[mark.letter, _mark_place(mark, shown)] for mark in marks_of(data)],
        "said": _said(data, unit),
        "datum_features": [i for i, f in enumerate(data.features) if f.id in on_frame],
        "thinned": len(faces) if shown.thinned else None,
    }


def _said(data: DatumFile, unit: str) -> list[str]:
    """Of each feature: who it is, what, and its size with its 95 %, as plain text."""
    show, told = Figures(data, Words(unit)), []
    for i, feature in enumerate(data.features):
        group = Group((i,))
        spread = _plain(doubt(show, group))
        within = "" if spread == NONE else f" ± {spread} {unit} (95 %)"
        told.append(f"{named(data, feature.id)}: {_plain(described(show, group))}{within}")
    return told


def _plain(text: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", "", text))


def _mark_place(mark: Mark, shown: Shown) -> list[float]:
    """Where the letter hangs in the 3D view: well up on a face, at the upper end of a round feature's axis."""
    upwards = np.array([0.579, -0.643, 0.5])
    places = shown.vertices[shown.faces[shown.labels == mark.index]].mean(axis=1)
    if mark.direction is not None and mark.along is not None:
        places = mark.point + np.outer(mark.along, mark.direction)
    elif not len(places):
        places = mark.point[None]
    order = np.argsort(places @ upwards, kind="stable")
    return [float(x) for x in places[order[int(0.75 * len(order))]]]


def _key_words() -> dict[str, str]:
    """The looks in the order of the key, and what they are called there."""
    return {**{name: term_of_look(name) for name in feature_looks()}, **OTHER_KEYS}


def _key(look: str) -> Picture.Image:
    return Picture.fromarray(hatch_tile(look, 36, 72))


def _flat(picture: Picture.Image) -> Picture.Image:
    """With few colours, as a drawing has: a third of the bytes."""
    flat = picture.quantize(96, method=Picture.Quantize.FASTOCTREE, dither=Picture.Dither.NONE)
    # The paper stays white.
    colours = np.array(flat.getpalette(), dtype=np.uint8).reshape(-1, 3)
    colours[(colours > 248).all(axis=1)] = 255
    flat.putpalette(colours.tobytes())
    return flat


def _png(picture: Picture.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=6)
    return out.getvalue()


def _kept(picture: Picture.Image, path: Path) -> str:
    raw = _png(picture)
    path.write_bytes(raw)
    return _url(raw)


def _url(raw: bytes) -> str:
    return f"data:image/png;base64,{_base64(raw)}"


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _view_file(name: str) -> str:
    sign = {"+": "plus", "-": "minus"}
    return f"{sign[name[-2]]}-{name[-1].lower()}" if name in DIRECTIONS else "corner"


def _file_name(name: str) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)
