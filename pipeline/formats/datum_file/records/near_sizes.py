"""Suggestions as people read them: one row a size, with the names that tables give it."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.formats.datum_file.records.file import DatumFile

SHOWN = 4


class NearSizes(NamedTuple):
    """first: index of the row's first suggestion; names of the table's sizes, `more` of them left out of `names`."""

    first: int
    feature: str
    what: str
    names: tuple[str, ...]
    more: int
    sources: tuple[str, ...]
    note: str

    @property
    def told(self) -> str:
        """The names, and how many more there are."""
        return "; ".join(self.names) + (f"; and {self.more} more" if self.more else "")


def near_sizes(data: DatumFile) -> tuple[NearSizes, ...]:
    """The suggestions of one feature, sort and size in a row each, in their order; a row shows four names at most and
    says how many more stand in the datum file.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> [(row.feature, row.what, row.told) for row in near_sizes(build(outcome()))]
    [('cylinder-2', 'clearance hole', 'M8 fine'), ('cylinder-2', 'clearance hole', 'M8 medium')]
    """
    rows: dict[tuple[str, str, float], list[int]] = {}
    for i, s in enumerate(data.suggestions):
        rows.setdefault((s.feature, s.what, s.size), []).append(i)
    out = []
    for (feature, what, _), alike in rows.items():
        found = [data.suggestions[i] for i in alike]
        out.append(
            NearSizes(
                alike[0],
                feature,
                what,
                tuple(s.name for s in found[:SHOWN]),
                len(found[SHOWN:]),
                tuple(dict.fromkeys(s.source for s in found)),
                "; ".join(dict.fromkeys(s.note for s in found if s.note)),
            )
        )
    return tuple(out)
