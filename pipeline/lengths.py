"""Lengths in sentences: written in mm or um where they are found, read in the unit of the outputs.

A stage says what it found in words, and knows nothing of the unit that the user wants. So a length stands in its
sentence with a narrow no-break space before its unit, U+202F, and by that `in_unit` knows it again: whatever else looks
like a length, "82 x 16" of a bearing or a text of the user's, stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_SPACE = "\u202f"
_NUMBER = r"[-+]?\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?"
_LENGTH = re.compile(rf"(\[{_NUMBER}(?:, {_NUMBER})*\]|{_NUMBER}(?: x {_NUMBER})*){_SPACE}(mm3|mm2|mm|um)")
_INCH = 25.4
_MANY = 4
# By what the figures of a unit are multiplied, and what they are then; a thou is a thousandth of an inch.
_IN_INCHES = {
    "mm": (1.0 / _INCH, "in"),
    "um": (1.0 / _INCH, "thou"),
    "mm2": (1.0 / _INCH**2, "in2"),
    "mm3": (1.0 / _INCH**3, "in3"),
}


def mm(value: float, digits: str = ".2f") -> str:
    """A length, mm, for a sentence.

    >>> in_unit(f"{mm(3.2, '.1f')} wide", "mm"), in_unit(f"{mm(3.2, '.1f')} wide", "in")
    ('3.2 mm wide', '0.126 in wide')
    """
    return f"{value:{digits}}{_SPACE}mm"


def um(value: float, digits: str = ".0f") -> str:
    """A small length, mm, for a sentence, in micrometres.

    >>> in_unit(f"{um(0.0423)} rms", "mm"), in_unit(f"{um(0.0423)} rms", "in")
    ('42 um rms', '1.65 thou rms')
    """
    return f"{1000.0 * value:{digits}}{_SPACE}um"


def mm2(value: float, digits: str = ",.0f") -> str:
    """An area, mm2, for a sentence.

    >>> in_unit(f"a face of {mm2(23250.4)}", "mm"), in_unit(f"a face of {mm2(23250.4)}", "in")
    ('a face of 23,250 mm2', 'a face of 36.038 in2')
    """
    return f"{value:{digits}}{_SPACE}mm2"


def mm3(value: float, digits: str = ",.0f") -> str:
    """A volume, mm3, for a sentence.

    >>> in_unit(f"{mm3(16387.064)} go", "mm"), in_unit(f"{mm3(16387.064)} go", "in")
    ('16,387 mm3 go', '1.00000 in3 go')
    """
    return f"{value:{digits}}{_SPACE}mm3"


def place_in_mm(values: Iterable[float], digits: str = ".2f") -> str:
    """A place, mm, for a sentence.

    >>> in_unit(f"no hole at {place_in_mm([1.0, -25.4])}", "in")
    'no hole at [0.03937, -1.000] in'
    """
    return f"[{', '.join(f'{value:z{digits}}' for value in values)}]{_SPACE}mm"


def size_in_mm(text: str) -> str:
    """A size as a kind of surface writes it, of diameters and radii in mm, for a sentence.

    >>> in_unit(size_in_mm("D50.800 R2.540"), "mm"), in_unit(size_in_mm("D50.800 R2.540"), "in")
    ('D50.800 mm R2.540 mm', 'D2.0000 in R0.1000 in')
    """
    return re.sub(rf"\b([DR])({_NUMBER})", rf"\1\2{_SPACE}mm", text)


def in_unit(text: str, unit: str) -> str:
    """A sentence with its lengths in `unit`: "mm", as they were written, or "in", to as many figures, and two at least.

    >>> in_unit(f"bowed by {um(0.06)} over {mm(150.0, '.0f')}, a 6206 of 62 mm", "in")
    'bowed by 2.36 thou over 5.906 in, a 6206 of 62 mm'
    """
    if _SPACE not in text:
        return text
    if unit == "mm":
        return _LENGTH.sub(lambda found: f"{found[1]} {found[2]}", text)
    return _LENGTH.sub(_in_inches, text)


def _in_inches(found: re.Match[str]) -> str:
    factor, unit = _IN_INCHES[found[2]]
    return f"{re.sub(_NUMBER, lambda number: _turned(number[0], factor), found[1])} {unit}"


def _turned(number: str, factor: float) -> str:
    mantissa = number.lower().partition("e")[0]
    figures = len(re.sub(r"[^\d]", "", mantissa).lstrip("0"))
    value = float(number.replace(",", "")) * factor
    if value == 0.0:
        return "0"
    sign = "+" if number.startswith("+") else ""
    # One more where there are few, since rounding again loses as much as the figures tell.
    places = max(figures + (figures < _MANY), 2) - 1 - int(f"{value:e}".partition("e")[2])
    return f"{value:{sign},.{max(places, 0)}f}" if abs(value) >= 1e-6 else f"{value:.1e}"
