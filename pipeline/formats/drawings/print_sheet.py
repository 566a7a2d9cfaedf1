"""flange-<id>.pdf: a flange on one page at 1:1, with two scale bars that tell whether the printer kept it so."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from pipeline.formats.drawings import items
from pipeline.geometry import MM_PER_INCH

# ISO 216 trimmed sizes; North American sizes of ASME Y14.1, mm, short side first.
_SHEETS = {
    "mm": {
        "A4": (210.0, 297.0),
        "A3": (297.0, 420.0),
        "A2": (420.0, 594.0),
        "A1": (594.0, 841.0),
        "A0": (841.0, 1189.0),
    },
    "in": {
        "Letter": (215.9, 279.4),
        "Tabloid (B)": (279.4, 431.8),
        "C": (431.8, 558.8),
        "D": (558.8, 863.6),
        "E": (863.6, 1117.6),
    },
}
_MARGIN = 10.0  # mm: what common printers leave white
_POINT = 72.0 / MM_PER_INCH  # PDF's unit, 1/72 in, per mm
_BAR = {"mm": (100.0, "100 mm"), "in": (4 * MM_PER_INCH, "4 in")}
_BAR_WIDTH = 1.0
_SMALL = 2.3  # mm, lettering of the bars' words
_CAPITALS = 1.39  # capitals of the face are 0.72 of its size
_THIN = (items.CENTRE, items.PITCH, items.NOMINAL, items.DIMENSIONS, items.SHEET)
_DASHED = (items.CENTRE, items.PITCH)


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper as it lies: its name, width and height, mm.

    >>> Sheet("A3", 420.0, 297.0).common
    False
    """

    name: str
    width: float
    height: float

    @property
    def common(self) -> bool:
        """Whether an ordinary desk printer takes it."""
        return self.name in ("A4", "Letter")


class Pages(NamedTuple):
    """A sheet, and what is on each page of it: the first has the scale bars."""

    sheet: Sheet
    pages: tuple[tuple[items.Item, ...], ...]


def sheet_for(drawn: tuple[items.Item, ...], unit: str = "mm") -> Sheet | None:
    """The smallest sheet, upright or lying, that holds a drawing at 1:1; None if none does.

    unit  "mm": ISO 216 sizes | "in": those of ASME Y14.1. The items are in mm either way.

    >>> flange = (items.Circle(items.OUTLINE, (0.0, 0.0), 100.0),)  # 200 mm and the margins: too wide for A4
    >>> sheet_for(flange)
    Sheet(name='A3', width=297.0, height=420.0)
    """
    (x0, y0), (x1, y1) = items.bounds(drawn)
    wide = max(x1 - x0 + _side(), _BAR[unit][0]) + 2 * _MARGIN
    high = max(y1 - y0, _BAR[unit][0]) + _foot() + 2 * _MARGIN
    for name, (short, long) in _SHEETS[unit].items():
        for width, height in ((short, long), (long, short)):
            if wide <= width and high <= height:
                return Sheet(name, width, height)
    return None


def pages_for(front: tuple[items.Item, ...], below: tuple[items.Item, ...], unit: str = "mm") -> Pages | None:
    """A drawing and what stands below it on one page, or, where only that makes a desk printer do, on a page each.

    None where no sheet holds it.

    >>> flange = (items.Circle(items.OUTLINE, (0.0, 0.0), 80.0),)
    >>> rows = tuple(items.Line(items.SHEET, (-80.0, -90.0 - 4 * k), (80.0, -90.0 - 4 * k)) for k in range(40))
    >>> pages = pages_for(flange, rows)
    >>> pages.sheet.name, len(pages.pages)
    ('A4', 2)
    """
    whole, alone = sheet_for((*front, *below), unit), sheet_for(front, unit)
    if alone is None or (whole is not None and (whole.common or not alone.common)):
        return None if whole is None else Pages(whole, ((*front, *below),))
    (x0, y0), (x1, y1) = items.bounds(below)
    holds = x1 - x0 <= alone.width - 2 * _MARGIN and y1 - y0 <= alone.height - 2 * _MARGIN
    if holds:
        return Pages(alone, (front, below))
    return None if whole is None else Pages(whole, ((*front, *below),))


def write_print(path: Path, pages: Pages, title: str, unit: str = "mm") -> None:
    """Write the drawing, in mm, onto its sheets at 1:1, as PDF. unit: "mm" | "in", of its scale bars.

    The same drawing gives the same bytes. Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "hole.pdf"
    >>> hole = (items.Circle(items.HOLES, (0.0, 0.0), 4.5),)
    >>> write_print(path, Pages(Sheet("A4", 210.0, 297.0), (hole,)), "one hole")
    >>> path.read_bytes()[:5]
    b'%PDF-'
    """
    sheet = pages.sheet
    page = Canvas(str(path), pagesize=(sheet.width * _POINT, sheet.height * _POINT), invariant=True, pageCompression=1)
    page.setTitle(title)
    page.setCreator("datumlift")
    page.setViewerPreference("PrintScaling", "None")
    for number, drawn in enumerate(pages.pages):
        page.scale(_POINT, _POINT)
        (x0, y0), (x1, y1) = items.bounds(drawn)
        foot = _MARGIN + _foot()
        # In the middle of what the foot and the upright bar leave; a page without bars from its top on.
        left = _MARGIN + _side() + (sheet.width - 2 * _MARGIN - _side() - (x1 - x0)) / 2 - x0
        low = foot + (sheet.height - _MARGIN - foot - (y1 - y0)) / 2 - y0
        if number:
            left, low = _MARGIN - x0, sheet.height - _MARGIN - y1
        page.saveState()
        page.translate(left, low)
        for item in drawn:
            _draw(page, item)
        page.restoreState()
        if not number:
            _bars(page, foot, unit, sheet)
        page.showPage()
    page.save()


def _side() -> float:
    """Room left of the drawing for the upright bar."""
    return 8.0


def _foot() -> float:
    """Room below the drawing for the lying bar."""
    return 14.0


def _bars(page: Canvas, foot: float, unit: str, sheet: Sheet) -> None:
    length, text = _BAR[unit]
    base = foot - 8.0
    page.setLineWidth(0.25)
    page.setDash([])
    page.rect(_MARGIN, base, length, _BAR_WIDTH, stroke=0, fill=1)
    page.rect(_MARGIN, foot, _BAR_WIDTH, length, stroke=0, fill=1)
    page.setFont("Helvetica", _SMALL * _CAPITALS)
    page.drawString(
        _MARGIN,
        base - 4.0,
        f"Sheet {sheet.name}, 1:1. Both bars must measure {text} on the paper; if not, print again at 100 %.",
    )


def _draw(page: Canvas, item: items.Item) -> None:
    page.setLineWidth(0.13 if item.layer in _THIN else 0.25)
    page.setDash([4.0, 1.0, 0.8, 1.0] if item.layer in _DASHED else [])
    match item:
        case items.Line(_, (x0, y0), (x1, y1)):
            page.line(x0, y0, x1, y1)
        case items.Circle(_, (x, y), radius):
            page.circle(x, y, radius)
        case items.Arc(_, (x, y), radius, begin, finish):
            turn = (finish - begin) % 360.0
            page.arc(x - radius, y - radius, x + radius, y + radius, begin, turn)
        case items.Polyline(_, points):
            page.drawPath(_path(page, points))
        case items.Arrow():
            page.drawPath(_path(page, item.corners), stroke=0, fill=1)
        case items.Text(_, (x, y), text, height, angle):
            page.saveState()
            page.translate(x, y)
            page.rotate(angle)
            page.setFont("Helvetica", height * _CAPITALS)
            page.drawString(0.0, 0.0, text)
            page.restoreState()
        case items.Dimension():
            for stroke in item.strokes:
                _draw(page, stroke)


def _path(page: Canvas, points: tuple[items.Place, ...]) -> PDFPathObject:
    path = page.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    return path
