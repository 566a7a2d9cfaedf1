"""Numbers for gaps: those of one place and about one size keep theirs, as long as it is known where the part lies."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.values import NameBook, NumberedGap

# Of one place: middles nearer to each other than this share of the rim's radius, as lengths are this much alike.
NEAR, ALIKE = 0.7, 0.6


def number_gaps(book: NameBook, gaps: Sequence[NumberedGap], scan: str) -> tuple[list[str], NameBook]:
    """A number for each gap, largest first, and the book with them.

    gaps  with the places and lengths that they have in this scan; their ids count for nothing
    scan  SHA-256 of the scan's file; the places of a book of another scan are not used, nor is such a book changed

    >>> found = [NumberedGap("", np.array([9.0, 0.0, 0.0]), 20.0), NumberedGap("", np.zeros(3), 60.0)]
    >>> ids, book = number_gaps(NameBook("a"), found, "a")
    >>> ids, number_gaps(book, [NumberedGap("", np.array([0.5, 0.0, 0.0]), 55.0)], "a")[0]
    (['gap-2', 'gap-1'], ['gap-1'])
    """
    known = [g for g in book.gaps if g.centre is not None] if scan == book.scan else []
    taken: dict[int, NumberedGap] = {}
    close = [
        (float(np.linalg.norm(gap.centre - old.centre)), k, m)
        for k, gap in enumerate(gaps)
        for m, old in enumerate(known)
        if gap.centre is not None and old.centre is not None and _one(gap, old)
    ]
    for _, k, m in sorted(close):
        if k not in taken and known[m].id not in {g.id for g in taken.values()}:
            taken[k] = replace(gaps[k], id=known[m].id)
    numbers = [int(match[1]) for g in book.gaps if (match := re.fullmatch(r"gap-([0-9]+)", g.id))]
    fresh = sorted((k for k in range(len(gaps)) if k not in taken), key=lambda k: -gaps[k].length)
    for count, k in enumerate(fresh, max(numbers, default=0) + 1):
        taken[k] = replace(gaps[k], id=f"gap-{count}")
    ids = [taken[k].id for k in range(len(gaps))]
    if scan != book.scan:
        return ids, book
    here = {g.id: g for g in taken.values()}
    kept = [here.pop(g.id, g) for g in book.gaps]
    return ids, replace(book, gaps=(*kept, *(taken[k] for k in fresh)))


def _one(gap: NumberedGap, old: NumberedGap) -> bool:
    assert gap.centre is not None
    assert old.centre is not None
    radius = min(gap.length, old.length) / (2.0 * np.pi)
    alike = min(gap.length, old.length) >= ALIKE * max(gap.length, old.length)
    return bool(alike and np.linalg.norm(gap.centre - old.centre) <= NEAR * radius)
