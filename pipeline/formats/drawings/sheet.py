"""What stands below a flange on its sheet: the hole table, the notes and the title block (after ISO 7200)."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty import with_scale
from pipeline.formats.datum_file import DatumFile, FlangeRecord, HolePatternRecord, HoleRecord
from pipeline.formats.drawings.drawing import angle_text, drawing_of, pattern_text
from pipeline.formats.drawings.figures import DIAMETER, sized
from pipeline.formats.drawings.items import SHEET, TEXT, TEXT_HEIGHT, Arrow, Circle, Item, Line, Text, bounds, shifted
from pipeline.formats.drawings.nominal import nominal_of

WIDTH = 180.0  # mm: fits an upright A4 or Letter sheet
SMALL = 1.8  # mm, lettering of notes and tables (ISO 3098)
_LINE = 3.2  # mm from note to note
_ROW = 4.0  # mm, of a table
_CHARACTERS = 118  # of a note's line
_BELOW = 8.0  # mm from the drawing to what stands below it
_AXIS, _EYE = 9.0, 1.2  # mm: length of a part axis in the view, and radius of one that is seen end on
_END_ON = 0.02  # of a part axis: shorter in the view it is seen end on
_ABOUT = np.cos(np.radians(0.5))  # an axis of the drawing this near to one of the part is said to run along it
PAPER = "A print on paper is for checking, not for locating a bearing bore: paper and printers are not true enough."
MEASURE = "No substitute for measuring the part: check the sizes that matter before you cut or drill."


class Drawn(NamedTuple):
    """A flange's drawing: `front`, the view with its title block, and what stands `below` it, hole table and notes."""

    front: tuple[Item, ...]
    below: tuple[Item, ...]


def sheet_of(flange: FlangeRecord, data: DatumFile, unit: str = "mm", number: tuple[int, int] = (1, 1)) -> Drawn:
    """A flange's drawing with all that stands below it, in the flange's sketch, mm; figures in `unit` ("mm" | "in").

    number  of the sheet, and of how many

    No items where there is nothing to draw.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> datums = build(outcome())
    >>> texts = [i.text for i in sheet_of(datums.flanges[0], datums).below if isinstance(i, Text)]
    >>> texts[:4], "Overall 120.0 x 80.0." in texts, PAPER in texts
    (['hole', 'x mm', 'y mm', 'Ø mm'], True, True)
    """
    sigmas = {f.id: None if f.uncertainty.radius is None else 2.0 * f.uncertainty.radius for f in data.features}
    view = drawing_of(flange, sigmas, unit)
    if not view:
        return Drawn((), ())
    (left, low), (right, _) = bounds(view)
    left = min(left, 0.5 * (left + right - WIDTH))
    view = (*view, *shifted(_part_axes(flange, data), (left + 2.0 * _AXIS, low - _BELOW - _AXIS)))
    (_, low), _ = bounds(view)
    front = (*view, *shifted(_title_block(flange, data, unit, number), (left, low - 0.5 * _BELOW)))
    below: tuple[Item, ...] = ()
    for block in (_table(flange, unit), noted(notes_of(flange, data, unit))):
        if block:
            below += shifted(block, (left, bounds((*front, *below))[0][1] - 0.5 * _BELOW))
    return Drawn(front, below)


def notes_of(flange: FlangeRecord, data: DatumFile, unit: str = "mm") -> tuple[str, ...]:
    """What must stand beside the drawing, in lines; sizes in `unit` ("mm" | "in").

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> datums = build(outcome())
    >>> notes_of(datums.flanges[0], datums)[1]
    "x along the part's +x, y along the part's +y; turned by datum C (plane-3)."
    """
    texts = [
        _origin(flange, data, unit),
        _axes(flange, data),
        *_overall(flange, unit),
        *(_in_words(pattern, flange, unit) for pattern in flange.patterns),
        *_thickness(flange, data, unit),
        *_how(flange),
        *(f"{text[:1].upper()}{text[1:].rstrip('.')}." for text in flange.cautions),
        "Figures end with the first digit that their 95 % uncertainty reaches; cast edges are to "
        f"{'0.1 mm' if unit == 'mm' else '0.01 in'}. As scanned, the part's temperature left as it was.",
        PAPER,
        MEASURE,
    ]
    return in_lines(texts)


def in_lines(texts: Iterable[str]) -> tuple[str, ...]:
    """Texts broken to the lines that a sheet has room for.

    >>> [len(line) for line in in_lines(["one", "two " * 40])]
    [3, 115, 43]
    """
    return tuple(line for text in texts for line in textwrap.wrap(text, _CHARACTERS))


def _origin(flange: FlangeRecord, data: DatumFile, unit: str) -> str:
    place = _to_part(flange, data)[:3, 3]
    where = ", ".join(sized(v, unit, 0.005) for v in place)
    return f"Origin: {_origin_words(flange, unit)}; in part coordinates ({where}) {unit}."


def _origin_words(flange: FlangeRecord, unit: str) -> str:
    """What the origin is, with its figures in the drawing's unit."""
    by_id = {hole.feature: hole for hole in flange.holes}
    for pattern in flange.patterns:
        if pattern.kind == "pitch_circle" and math.hypot(*pattern.centre) < 1e-6:
            holes = [by_id[m] for m in pattern.members if m in by_id]
            return f"middle of {pattern_text(pattern, holes, unit)}"
    return flange.origin_at


def _to_part(flange: FlangeRecord, data: DatumFile) -> np.ndarray:
    return np.array(data.frame.matrix) @ np.linalg.inv(np.array(flange.matrix))


def _axes(flange: FlangeRecord, data: DatumFile) -> str:
    """Along which of the part's axes x and y run, and which datum turns them."""
    matrix = _to_part(flange, data)
    x, y = (_direction_words(matrix[:3, k]) for k in range(2))
    about = "r" + "xyz"[int(np.argmax(np.abs(matrix[:3, 2])))]
    turned = [f"datum {d.letter} ({d.feature})" for d in data.frame.datums if about in d.constrains]
    by = f"turned by {turned[0]}" if turned else "no datum says how they are turned"
    return f"x {x}, y {y}; {by}."


def _part_axes(flange: FlangeRecord, data: DatumFile) -> tuple[Item, ...]:
    """The part's axes as the view shows them, from (0, 0): arrows, and for one that runs to or from the eye the dot or
    the cross of an arrow's ends."""
    matrix = _to_part(flange, data)
    out: list[Item] = []
    for name, (x, y, z) in zip("XYZ", matrix[:3, :3], strict=True):
        long = math.hypot(x, y)
        if long < _END_ON:
            out.append(Circle(SHEET, (0.0, 0.0), _EYE))
            reach = _EYE * math.sqrt(0.5)
            crossed = [Line(SHEET, (-reach, s * reach), (reach, -s * reach)) for s in (1.0, -1.0)]
            out += [Circle(SHEET, (0.0, 0.0), 0.2 * _EYE)] if z > 0.0 else crossed
            out.append(Text(TEXT, (-_EYE - 2.6, -_EYE - 2.6), name))
            continue
        tip = (_AXIS * x, _AXIS * y)
        out += [Line(SHEET, (0.0, 0.0), tip), Arrow(SHEET, tip, math.degrees(math.atan2(y, x)))]
        at = tuple(c + 1.6 * c / (_AXIS * long) - 0.4 * TEXT_HEIGHT for c in tip)
        out.append(Text(TEXT, (at[0], at[1]), name))
    out.append(Text(TEXT, (_AXIS + 6.0, -0.5 * SMALL), "part axes", SMALL))
    return tuple(out)


def _direction_words(direction: np.ndarray) -> str:
    most = int(np.argmax(np.abs(direction)))
    sign = "+" if direction[most] > 0 else "-"
    if abs(direction[most]) > _ABOUT:
        return f"along the part's {sign}{'xyz'[most]}"
    return "along [" + ", ".join(f"{c:z.4f}" for c in direction) + "] of the part"


def _overall(flange: FlangeRecord, unit: str) -> Iterator[str]:
    if flange.outer is not None:
        from pipeline.formats.drawings.drawing import pieces

        (x0, y0), (x1, y1) = bounds(tuple(pieces(flange.outer, TEXT)))
        yield f"Overall {sized(x1 - x0, unit)} x {sized(y1 - y0, unit)}."


def _in_words(pattern: HolePatternRecord, flange: FlangeRecord, unit: str) -> str:
    holes = [hole for hole in flange.holes if hole.feature in pattern.members]
    where = ", ".join(sized(value, unit, 0.005) for value in pattern.centre)
    text = f"{pattern_text(pattern, holes, unit)}: {', '.join(pattern.members)}"
    if pattern.kind == "pitch_circle":
        text += f", first hole ({pattern.members[0]}) at {angle_text(pattern)} from x" if pattern.phase else ""
    elif pattern.size is not None:
        text += f", in a rectangle {' x '.join(sized(side, unit, pattern.size_uncertainty) for side in pattern.size)}"
    text += f", about ({where})"
    missing = len(pattern.gaps_at)
    text += f"; {missing} of the pattern not seen" if missing else ""
    nominal = nominal_of(pattern, flange.holes)
    if nominal is not None:
        sizes = " x ".join(_plain(length, unit) for length in nominal.lengths)
        sign = f"PCD {DIAMETER}" if pattern.kind == "pitch_circle" else ""
        worst = max(nominal.off.values(), default=0.0)
        text += (
            f". Nominal (a proposal, small crosses): {sign}{sizes} at {nominal.phase:.7g}°, "
            f"holes up to {sized(worst, unit, 0.005)} off"
        )
    return f"{text}."


def _plain(length: float, unit: str) -> str:
    return f"{length:.7g}" if unit == "mm" else sized(length, unit, 1e-3)


def _thickness(flange: FlangeRecord, data: DatumFile, unit: str) -> Iterator[str]:
    found = flange.thickness
    if found is None:
        yield "Thickness: the back was not seen, or is no flange's."
        return
    sigma = _thickness_sigma(flange, data, found.middle)
    least, middle, most = (sized(v, unit, sigma) for v in (found.least, found.middle, found.most))
    back = f"to {found.back}" if found.back else "cast back"
    yield (
        f"Thickness {least} to {most}, middle {middle} ({back}): rays square to the face at {found.places} places, "
        f"{100 * found.share:.0f} % of the face; of a hole, on a ring round it."
    )


def _thickness_sigma(flange: FlangeRecord, data: DatumFile, thickness: float) -> float | None:
    """Standard uncertainty, mm, of single places between two recovered faces; None where the back is none."""
    by_id = {f.id: f for f in data.features}
    ends = (flange.feature, flange.thickness.back if flange.thickness else None)
    known = [by_id[i].uncertainty.position if i in by_id else None for i in ends]
    if any(k is None for k in known):
        return None
    own = math.hypot(*(k or 0.0 for k in known), data.source.noise_sigma or 0.0)
    return with_scale(own, thickness, data.source.scale)


def _how(flange: FlangeRecord) -> Iterator[str]:
    if any(hole.end is None for hole in flange.holes):
        yield "Not seen: neither a floor nor the way out was scanned; such a hole may be deeper than the depth seen."


def _row(flange: FlangeRecord, hole: HoleRecord, unit: str) -> tuple[str, ...]:
    off = next(
        (n.off[hole.feature] for p in flange.patterns if (n := nominal_of(p, flange.holes)) and hole.feature in n.off),
        None,
    )
    depth = hole.depth if hole.end == "blind" and hole.depth is not None else hole.depth_seen
    return (
        hole.feature,
        *(sized(v, unit, hole.place_uncertainty) for v in hole.place),
        sized(hole.diameter, unit, hole.diameter_uncertainty),
        hole.end or "not seen",
        "-" if depth is None else sized(depth, unit),
        "-" if hole.edge is None else sized(hole.edge, unit),
        "-" if hole.thickness is None else sized(hole.thickness, unit),
        "-" if off is None else sized(off, unit, 0.005),
    )


def _table(flange: FlangeRecord, unit: str) -> tuple[Item, ...]:
    """The holes, from (0, 0) down, ruled; nothing where there are none."""
    if not flange.holes:
        return ()
    sizes = (f"x {unit}", f"y {unit}", f"{DIAMETER} {unit}")
    heads = ("hole", *sizes, "end", "depth seen", "edge", "thickness", "off nominal")
    return ruled((heads, *(_row(flange, hole, unit) for hole in flange.holes)))


def ruled(rows: Sequence[Sequence[str]]) -> tuple[Item, ...]:
    """A table WIDTH mm wide, ruled, its heads the first row, from (0, 0) down.

    >>> [item.text for item in ruled([("hole", "x"), ("H1", "20.0")]) if isinstance(item, Text)]
    ['hole', 'x', 'H1', '20.0']
    """
    wide = WIDTH / len(rows[0])
    high = _ROW * len(rows)
    out: list[Item] = [Line(SHEET, (0.0, -_ROW * k), (WIDTH, -_ROW * k)) for k in range(len(rows) + 1)]
    out += [Line(SHEET, (wide * k, 0.0), (wide * k, -high)) for k in range(len(rows[0]) + 1)]
    for number, row in enumerate(rows):
        out += [Text(TEXT, (wide * k + 1.0, -_ROW * number - 3.0), cell, SMALL) for k, cell in enumerate(row) if cell]
    return tuple(out)


def noted(notes: Iterable[str]) -> tuple[Item, ...]:
    """Notes, a line each, from (0, 0) down; `in_lines` breaks longer texts.

    >>> [item.at for item in noted(["one", "two"])]
    [(0.0, -1.8), (0.0, -5.0)]
    """
    return tuple(Text(TEXT, (0.0, -SMALL - _LINE * k), note, SMALL) for k, note in enumerate(notes))


def _title_block(flange: FlangeRecord, data: DatumFile, unit: str, number: tuple[int, int]) -> tuple[Item, ...]:
    name = data.name_of(flange.feature)
    datums = ", ".join(f"{d.letter} = {d.feature}" for d in data.frame.datums) or "none"
    return title_block(
        (
            (
                ("title", f"Flange {flange.feature}{f' ({name})' if name else ''}"),
                ("part", data.title or data.source.file),
            ),
            (
                ("view", "from outside the material"),
                ("scan", f"{data.source.file}, SHA-256 {data.source.sha256[:12]}"),
            ),
            (("scale, unit", f"1:1, {unit}"), ("datums", datums)),
            (
                ("sheet", f"{number[0]} of {number[1]}"),
                ("made by", f"{data.made_by.program} {data.made_by.version}"),
            ),
        )
    )


Cell = tuple[str, str]


def title_block(cells: Sequence[tuple[Cell, Cell]]) -> tuple[Item, ...]:
    """A block of two columns of (label, value), from (0, 0) down.

    >>> [item.text for item in title_block([(("title", "Cover"), ("part", "housing"))]) if isinstance(item, Text)]
    ['title', 'Cover', 'part', 'housing']
    """
    tall, first = 7.0, 62.0
    out: list[Item] = [Line(SHEET, (0.0, -tall * k), (WIDTH, -tall * k)) for k in range(len(cells) + 1)]
    out += [Line(SHEET, (x, 0.0), (x, -tall * len(cells))) for x in (0.0, first, WIDTH)]
    for line, pair in enumerate(cells):
        for x, (label, value) in zip((1.0, first + 1.0), pair, strict=True):
            out.append(Text(TEXT, (x, -tall * line - 2.3), label, 1.3))
            out.append(Text(TEXT, (x, -tall * line - 6.0), value[: 60 if x > first else 34], 2.2))
    return tuple(out)
