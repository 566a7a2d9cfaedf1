"""Letters as outlines: those of the font that the PDF library ships, its curves as short lines."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.fitup.made import Outline
from pipeline.geometry import Floats, contains, signed_area

_STEPS = 4  # lines for a curve of a glyph
_CAPITAL = 0.73  # height of a capital, of the font's size: Bitstream Vera
_LETTER = tuple[Outline, tuple[Outline, ...]]


def letters_of(text: str, size: float) -> tuple[_LETTER, ...]:
    """The outlines of a line of text, each with its holes, counter-clockwise; capitals are `size` mm high, the middle
    of the line at the origin. What the font doesn't have is left out.

    >>> outlines = letters_of("I0", 7.3)
    >>> len(outlines), [len(holes) for _, holes in outlines]
    (2, [0, 1])
    """
    font, glyphs, names = _font()
    scale = size / (_CAPITAL * font["head"].unitsPerEm)
    pen = 0.0
    runs: list[list[Floats]] = []
    for letter in text:
        name = names.get(ord(letter))
        if name is None:
            continue
        runs.append([run * scale + [pen, -0.5 * size] for run in _runs(glyphs, name)])
        pen += glyphs[name].width * scale
    return tuple(one for glyph in runs for one in _nested([run - [0.5 * pen, 0.0] for run in glyph]))


@cache
def _font() -> tuple[Any, Any, dict[int, str]]:
    import reportlab
    from fontTools.ttLib import TTFont

    font = TTFont(Path(reportlab.__file__).parent / "fonts" / "VeraBd.ttf")
    return font, font.getGlyphSet(), font.getBestCmap()


def _runs(glyphs: Any, name: str) -> list[Floats]:
    """The contours of a glyph in the font's units."""
    from fontTools.pens.basePen import decomposeQuadraticSegment
    from fontTools.pens.recordingPen import DecomposingRecordingPen

    pen = DecomposingRecordingPen(glyphs)
    glyphs[name].draw(pen)
    out: list[Floats] = []
    run: list[Floats] = []
    for what, places in pen.value:
        if what in ("moveTo", "lineTo"):
            run.append(np.array(places[0], float))
        elif what == "qCurveTo":
            for control, end in decomposeQuadraticSegment(places):
                a, b, c = run[-1], np.array(control, float), np.array(end, float)
                t = np.linspace(0.0, 1.0, _STEPS + 1)[1:, None]
                run += list((1 - t) ** 2 * a + 2 * t * (1 - t) * b + t * t * c)
        else:
            closed = np.array(run)
            kept = np.linalg.norm(closed - np.roll(closed, 1, axis=0), axis=1) > 1e-6
            out.append(closed[kept])
            run = []
    return out


def _nested(runs: list[Floats]) -> list[_LETTER]:
    """Outer contours with the holes that lie in them; a hole lies in one other contour."""
    turned = [run if signed_area(run) > 0 else run[::-1] for run in runs]
    inside = [
        [k for k, other in enumerate(turned) if k != n and contains([other], run[:1])[0]]
        for n, run in enumerate(turned)
    ]
    holes: dict[int, list[Outline]] = {n: [] for n, within in enumerate(inside) if not within}
    for n, within in enumerate(inside):
        if within:
            holes[within[0]].append(_outline(turned[n]))
    return [(_outline(turned[n]), tuple(each)) for n, each in holes.items()]


def _outline(run: Floats) -> Outline:
    return Outline(tuple((float(x), float(y)) for x, y in run))
