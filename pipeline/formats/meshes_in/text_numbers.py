"""Numbers out of text, fast: the kernels behind the text forms of mesh files.

The text is a (k,) uint8 array. Kernels give back positions and a code, never raise: the reader of the format
turns the code into a sentence with the line in it.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Bytes, Floats, Indices, Ints
from pipeline.jit import njit

GOOD = 0
NO_NUMBER = 1
ENDED = 2

_POWERS = np.power(10.0, np.arange(23))


@njit(cache=True, inline="always")
def is_blank(byte: int) -> bool:
    return byte == 32 or byte == 9


@njit(cache=True, inline="always")
def is_end(byte: int) -> bool:
    """Whether a byte closes a line, as one system or the other writes it."""
    return byte == 10 or byte == 13


@njit(cache=True)
def skip_blanks(text: Bytes, i: int) -> int:
    """First position from i on that is neither blank nor tab, on the same line."""
    while i < text.size and is_blank(text[i]):
        i += 1
    return i


@njit(cache=True)
def next_line(text: Bytes, i: int) -> int:
    """Start of the line after the one that position i is on."""
    while i < text.size and not is_end(text[i]):
        i += 1
    # Copied from system to system as text, a file may come to close a line with several of the former.
    while i < text.size and text[i] == 13:
        i += 1
    return i + 1 if i < text.size and text[i] == 10 else i


@njit(cache=True)
def content(text: Bytes, i: int) -> int:
    """First position from i on that is not blank, on this line or a later one; comments (#) are passed over."""
    while i < text.size:
        if text[i] == 35:
            i = next_line(text, i)
        elif is_end(text[i]) or is_blank(text[i]):
            i += 1
        else:
            break
    return i


@njit(cache=True)
def _word(text: Bytes, i: int, a: int, b: int, c: int) -> bool:
    """Whether three letters, given in lower case, stand at position i."""
    if i + 2 >= text.size:
        return False
    return (text[i] | 32) == a and (text[i + 1] | 32) == b and (text[i + 2] | 32) == c


@njit(cache=True)
def _digits(text: Bytes, i: int, mantissa: np.uint64, held: int) -> tuple[int, np.uint64, int, int]:
    """The digits at position i put behind a mantissa that holds so many.

    Returns (position after them, mantissa, held, left out: those behind the 18th).
    """
    left_out = 0
    while i < text.size and 48 <= text[i] <= 57:
        if held < 18:
            mantissa = mantissa * np.uint64(10) + np.uint64(text[i] - 48)
            held += 1 if mantissa > 0 else 0
        else:
            left_out += 1
        i += 1
    return i, mantissa, held, left_out


@njit(cache=True)
def _exponent(text: Bytes, i: int) -> tuple[int, int, int]:
    """The power of ten at position i, behind the e, no more than some 10,000: (power, position after it, code)."""
    down = i < text.size and text[i] == 45
    if i < text.size and (text[i] == 45 or text[i] == 43):
        i += 1
    if i >= text.size or not 48 <= text[i] <= 57:
        return 0, i, NO_NUMBER
    exponent = 0
    while i < text.size and 48 <= text[i] <= 57:
        if exponent < 10_000:
            exponent = exponent * 10 + int(text[i]) - 48
        i += 1
    return (-exponent if down else exponent), i, GOOD


@njit(cache=True)
def _times_ten_to(value: float, power: int) -> float:
    if -22 <= power < 0:
        value /= _POWERS[-power]
    elif 0 < power <= 22:
        value *= _POWERS[power]
    elif power != 0 and value != 0.0:
        # In two steps, so that the power alone does not leave the range of a double.
        half = power // 2
        value = value * 10.0**half * 10.0 ** (power - half)
    return value


@njit(cache=True)
def number(text: Bytes, i: int) -> tuple[float, int, int]:
    """The number at position i: (value, position after it, code).

    Exact to the last bit for up to 15 digits and powers of ten up to 22, to 1e-14 of its value otherwise.
    """
    if i >= text.size:
        return 0.0, i, ENDED
    start = i
    negative = text[i] == 45
    if negative or text[i] == 43:
        i += 1
    if _word(text, i, 110, 97, 110):
        return np.nan, i + 3, GOOD
    if _word(text, i, 105, 110, 102):
        i += 3
        while i < text.size and 97 <= (text[i] | 32) <= 122:
            i += 1
        return -np.inf if negative else np.inf, i, GOOD
    after, mantissa, held, power = _digits(text, i, np.uint64(0), int(np.int64(0)))
    seen = after > i
    i = after
    if i < text.size and text[i] == 46:
        after, mantissa, held, left_out = _digits(text, i + 1, mantissa, held)
        behind = after - i - 1
        seen |= behind > 0
        power -= behind - left_out
        i = after
    if not seen:
        return 0.0, start, NO_NUMBER
    if i < text.size and (text[i] | 32) == 101:
        more, i, code = _exponent(text, i + 1)
        if code != GOOD:
            return 0.0, start, code
        power += more
    value = _times_ten_to(np.float64(mantissa), power)
    return -value if negative else value, i, GOOD


@njit(cache=True)
def corner_of(value: float) -> int:
    """The index that a number in a file stands for, -1 for one that can't be an index."""
    # A comparison with what is not a number fails, so that it is none.
    return int(value) if 0.0 <= value < 2147483647.0 and value == np.floor(value) else -1


@njit(cache=True)
def rows(text: Bytes, i: int, count: int, columns: Indices, out: Floats) -> tuple[int, int, int]:
    """`count` lines of at least max(columns) + 1 numbers; those at `columns` (3,) go to `out` (count, 3).

    Returns (position after them, rows read, code).
    """
    last = columns.max()
    for row in range(count):
        i = content(text, i)
        for column in range(last + 1):
            value, i, code = number(text, skip_blanks(text, i))
            if code != GOOD:
                return i, row, code
            for k in range(3):
                if columns[k] == column:
                    out[row, k] = value
        i = next_line(text, i)
    return i, count, GOOD


@njit(cache=True)
def polygons(text: Bytes, i: int, count: int, before: int, out: Ints) -> tuple[int, int, int, int]:
    """`count` lines of: `before` numbers, a corner count, that many indices; fanned into triangles.

    `out` (k, 3) int32 takes the triangles as far as it goes. Returns (position after them, lines read,
    triangles that there are, code).
    """
    made = 0
    for row in range(count):
        i = content(text, i)
        for _ in range(before):
            _, i, code = number(text, skip_blanks(text, i))
            if code != GOOD:
                return i, row, made, code
        corners, i, code = number(text, skip_blanks(text, i))
        if code != GOOD:
            return i, row, made, code
        first = previous = 0
        if corner_of(corners) < 0:
            return i, row, made, NO_NUMBER
        for corner in range(corner_of(corners)):
            value, i, code = number(text, skip_blanks(text, i))
            if code != GOOD:
                return i, row, made, code
            index = corner_of(value)
            if corner == 0:
                first = index
            elif corner > 1:
                if made < out.shape[0]:
                    out[made, 0], out[made, 1], out[made, 2] = first, previous, index
                made += 1
            previous = index
        i = next_line(text, i)
    return i, count, made, GOOD


def line_of(text: Bytes, position: int) -> int:
    """Number of the line, from 1, that a position is on."""
    before = text[:position]
    return int(np.count_nonzero(before == (10 if (text == 10).any() else 13))) + 1
