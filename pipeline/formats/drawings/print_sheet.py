"""flange-<id>.pdf: a flange on one page at 1:1, with two scale bars that tell whether the printer kept it so."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from pipeline.formats.drawings import drawing
from pipeline.units import MM_PER_INCH

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
_SMALL = 2.3  # mm, lettering of the notes
_LINE = 3.6  # mm from note to note
_WIDTHS = {drawing.CENTRE: 0.13, drawing.PITCH: 0.13}


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper, mm, as it lies."""

    name: str
    width: float
    height: float

    @property
    def common(self) -> bool:
        """Whether an ordinary desk printer takes it."""
        return self.name in ("A4", "Letter")


def sheet_for(items: tuple[drawing.Item, ...], notes: int, unit: str = "mm") -> Sheet | None:
    """The smallest sheet, upright or lying, that holds the drawing at 1:1 with `notes` lines; None if none does."""
    (x0, y0), (x1, y1) = drawing.bounds(items)
    wide = max(x1 - x0 + _side(), _BAR[unit][0]) + 2 * _MARGIN
    high = max(y1 - y0, _BAR[unit][0]) + _foot(notes) + 2 * _MARGIN
    for name, (short, long) in _SHEETS[unit].items():
        for width, height in ((short, long), (long, short)):
            if wide <= width and high <= height:
                return Sheet(name, width, height)
    return None


def write_print(
    path: Path, items: tuple[drawing.Item, ...], notes: tuple[str, ...], sheet: Sheet, title: str, unit: str = "mm"
) -> None:
    """Write the drawing onto its sheet. The same drawing gives the same bytes."""
    size = (sheet.width * _POINT, sheet.height * _POINT)
    page = Canvas(str(path), pagesize=size, invariant=True, pageCompression=1)
    page.setTitle(title)
    page.setCreator("datumlift")
    page.setViewerPreference("PrintScaling", "None")
    page.scale(_POINT, _POINT)
    (x0, y0), (x1, y1) = drawing.bounds(items)
    foot = _MARGIN + _foot(len(notes))
    # In the middle of what the foot and the upright bar leave.
    left = _MARGIN + _side() + (sheet.width - 2 * _MARGIN - _side() - (x1 - x0)) / 2 - x0
    low = foot + (sheet.height - _MARGIN - foot - (y1 - y0)) / 2 - y0
    page.saveState()
    page.translate(left, low)
    for item in items:
        _draw(page, item)
    page.restoreState()
    _bars(page, foot, unit)
    page.setFont("Helvetica", _SMALL * 1.39)  # capitals of the face are 0.72 of its size
    for number, note in enumerate(notes):
        page.drawString(_MARGIN, _MARGIN + _LINE * (len(notes) - 1 - number), note)
    page.showPage()
    page.save()


def _side() -> float:
    """Room left of the drawing for the upright bar."""
    return 8.0


def _foot(notes: int) -> float:
    """Room below the drawing for the notes and the lying bar."""
    return _LINE * notes + 14.0


def _bars(page: Canvas, foot: float, unit: str) -> None:
    length, text = _BAR[unit]
    base = foot - 8.0
    page.rect(_MARGIN, base, length, _BAR_WIDTH, stroke=0, fill=1)
    page.rect(_MARGIN, foot, _BAR_WIDTH, length, stroke=0, fill=1)
    page.setFont("Helvetica", _SMALL * 1.39)
    page.drawString(_MARGIN, base + 2.0, f"Both bars must measure {text} on the paper; if not, print again at 100 %.")


def _draw(page: Canvas, item: drawing.Item) -> None:
    page.setLineWidth(_WIDTHS.get(item.layer, 0.25))
    page.setDash([4.0, 1.0, 0.8, 1.0] if item.layer in _WIDTHS else [])
    match item:
        case drawing.Line(_, (x0, y0), (x1, y1)):
            page.line(x0, y0, x1, y1)
        case drawing.Circle(_, (x, y), radius):
            page.circle(x, y, radius)
        case drawing.Arc(_, (x, y), radius, begin, finish):
            turn = (finish - begin) % 360.0
            page.arc(x - radius, y - radius, x + radius, y + radius, begin, turn)
        case drawing.Polyline(_, points):
            outline = page.beginPath()
            outline.moveTo(*points[0])
            for point in points[1:]:
                outline.lineTo(*point)
            page.drawPath(outline)
        case drawing.Text(_, (x, y), text):
            page.setFont("Helvetica", drawing.TEXT_HEIGHT * 1.39)
            page.drawString(x, y, text)
