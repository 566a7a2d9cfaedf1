"""What the page shows of one question."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.lengths import in_unit
from pipeline.report.fit.charts import Curve, Grid
from pipeline.report.fit.sections import Section


@dataclass(frozen=True)
class Term:
    """One of the things that a figure is not known better than by: mm, random (k = 1) or a bound."""

    name: str
    kind: str
    size: float


@dataclass(frozen=True)
class Listed:
    """A table: heads, with # before one of figures, and the cells of each row as they are shown."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Shown:
    """A question and its answer.

    asked     what is asked, in a few words: "clearance: shaft, housing"
    verdict   a word or two; held: whether that is what was asked for
    said      the sentence that settles it
    facts     more sentences
    sections  cuts through the places that it hangs on
    terms     what its figure is not known better than by
    curves, grids  of a travel and the like
    lists     tables
    pastes    what they are for, and lines to paste into a file
    """

    asked: str
    verdict: str
    held: bool
    said: str
    facts: tuple[str, ...] = ()
    sections: tuple[Section, ...] = ()
    terms: tuple[Term, ...] = ()
    curves: tuple[Curve, ...] = ()
    grids: tuple[Grid, ...] = ()
    lists: tuple[Listed, ...] = ()
    pastes: tuple[tuple[str, str], ...] = ()

    def in_unit(self, unit: str) -> Shown:
        """The same with its lengths in "mm" or "in"; those of its terms stay in mm.

        >>> from pipeline.lengths import mm
        >>> Shown("clearance: rod, bar", "clear", True, f"{mm(25.4, '.1f')}").in_unit("in").said
        '1.000 in'
        """
        return replace(
            self,
            said=in_unit(self.said, unit),
            facts=tuple(in_unit(fact, unit) for fact in self.facts),
            sections=tuple(replace(one, label=in_unit(one.label, unit), unit=unit) for one in self.sections),
            terms=tuple(replace(term, name=in_unit(term.name, unit)) for term in self.terms),
            curves=tuple(one.in_unit(unit) for one in self.curves),
            grids=tuple(one.in_unit(unit) for one in self.grids),
            lists=tuple(
                replace(one, rows=tuple(tuple(in_unit(text, unit) for text in row) for row in one.rows))
                for one in self.lists
            ),
        )
