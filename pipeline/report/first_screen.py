"""What the page begins with: datums, the sizes that matter, what was invented, what to gauge, the run's cautions."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.coverage import SINGLE
from pipeline.features.naming import freedoms_in_words, term_of
from pipeline.formats.datum_file import DatumFile, GapRecord
from pipeline.report.figures import Figures
from pipeline.report.groups import Group, groups_of, ids_of
from pipeline.report.tables import bullets, cell, figure, named, table
from pipeline.report.words import DIAMETER, NONE, prose, safe
from pipeline.surfaces import names_of

# So many rows and lines stand on the first screen; the rest follows further on.
_SIZES, _LINES = 9, 4
# Letters of a line there.
_LETTERS = 150
_UNRANKED = 9


def first_screen(show: Figures, hero: str, to_gauge: Sequence[str]) -> str:
    """The cards about the picture. hero: its figure; to_gauge: what to gauge, the most urgent first; all HTML."""
    cautions = [_short(texts[0]) for texts in alike(show.data)]
    cards = (
        _card("Datums", _datums(show), "datums-title"),
        _card("Sizes that matter", _sizes(show), "features-title"),
        _card("Invented, never measured", _invented(show), "invented"),
        _card("To gauge on the part", _lines(to_gauge, "Nothing stands out; gauge what your fits hang on."), "by-hand"),
        _card("Cautions of this run", _lines(cautions, "None; those for every run follow."), "cautions"),
    )
    return f'<div class="first">{hero}{"".join(cards)}</div>'


def _card(title: str, body: str, more: str) -> str:
    """more: the id of the section that says all of it."""
    ident = f"first-{more}"
    return (
        f'<section class="card {more}" aria-labelledby="{ident}"><h2 id="{ident}"><a href="#{more}">{safe(title)}</a>'
        f"</h2>{body}</section>"
    )


def _lines(items: Sequence[str], none: str) -> str:
    left = len(items) - _LINES
    shown = items if left <= 1 else items[:_LINES]
    more = [f"and {left} more, further on"] if left > 1 else []
    return bullets([*shown, *more]) or f"<p>{safe(none)}</p>"


def _short(text: str) -> str:
    """A caution as HTML, a long one cut between words: all of it follows further on."""
    if len(text) > _LETTERS:
        text = text[:_LETTERS].rpartition(" ")[0].rstrip(",;:") + " ..."
    return prose(text)


def alike(data: DatumFile) -> list[list[str]]:
    """The run's cautions; those that differ in their features and figures only stand together.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> alike(build(outcome()))[0]
    ['The scan states no unit; millimetres were taken.']
    """
    found: dict[str, list[str]] = {}
    idents = {f.id for f in data.features} | {gap.id for gap in data.gaps} | set(names_of())
    for text in data.cautions:
        words = [word.strip(".,:;()") for word in text.split()]
        kind = re.sub(r"[\d.,]*\d", "#", " ".join(word for word in words if word not in idents))
        found.setdefault(kind, []).append(text)
    return list(found.values())


def _datums(show: Figures) -> str:
    data = show.data
    index = {feature.id: i for i, feature in enumerate(data.features)}
    rows = []
    for datum in data.frame.datums:
        i = index.get(datum.feature)
        row = (
            f'<th scope="row">{safe(datum.letter)}</th>'
            + cell(named(data, datum.feature), "id")
            + f"<td>{'' if i is None else described(show, Group((i,)))}</td>"
            + cell(freedoms_in_words(datum.constrains))
        )
        rows.append(row if i is None else f'<tr data-feature="{i}">{row}</tr>')
    incomplete = '<p class="no">The frame is incomplete.</p>' if not data.frame.complete else ""
    told = table("Datums", ["datum", "feature", "what", "constrains"], rows, unseen=True)
    return (told or "<p>None was found.</p>") + incomplete


def _sizes(show: Figures) -> str:
    data = show.data
    ranked = sorted(((_rank(data, group), group) for group in groups_of(data)), key=lambda one: one[0])
    mattering = [group for rank, group in ranked if rank < _UNRANKED]
    if not mattering:
        return "<p>No size stands out; all of them follow further on.</p>"
    rows = []
    for group in mattering if len(mattering) <= _SIZES + 1 else mattering[:_SIZES]:
        letters = _letters(data, group)
        datum = f", datum {safe(letters)}" if letters else ""
        rows.append(
            f'<tr data-feature="{_indices(group)}"><th scope="row" class="id">{prose(ids_of(data, group))}</th>'
            f"<td>{described(show, group)}{datum}</td>{figure(doubt(show, group))}</tr>"
        )
    more = len(mattering) - len(rows)
    further = f"<p>{more} more rows follow further on.</p>" if more else ""
    head = ["feature", f"size, {show.words.unit}", f"#± {show.words.unit}, 95\u00a0%"]
    return table("Sizes that matter", head, rows, unseen=True) + further


def _rank(data: DatumFile, group: Group) -> int:
    """What a fit hangs on comes first: datums, seats, turned faces about one axis, patterns of holes."""
    ids = {data.features[i].id for i in group.members}
    first = data.features[group.members[0]]
    if first.radius is None or first.confidence != "good" or not first.machined:
        return _UNRANKED
    if _letters(data, group):
        return 0
    if any(ids & set(size.features) for size in data.to_measure):
        return 1
    if any(p.kind == "coaxial" and ids & set(p.members) for p in data.patterns):
        return 2
    return 3 if group.pattern is not None else _UNRANKED


def _letters(data: DatumFile, group: Group) -> str:
    ids = {data.features[i].id for i in group.members}
    return ", ".join(datum.letter for datum in data.frame.datums if datum.feature in ids)


def _indices(group: Group) -> str:
    return " ".join(map(str, group.members))


def feature_rows(show: Figures) -> str:
    """The table of all features, equal ones in one row; a row leads the 3D view to its features."""
    data = show.data
    rows = []
    for group in groups_of(data):
        first = data.features[group.members[0]]
        low = "" if first.confidence == "good" else " low"
        remarks = [f"datum {letters}"] if (letters := _letters(data, group)) else []
        remarks += [] if first.confidence == "good" else ["low confidence"]
        remarks += [] if first.machined else ["cast"]
        ids = {data.features[i].id for i in group.members}
        filled = [gap.id for gap in data.gaps if gap.done != "left open" and ids & set(gap.features)]
        remarks += [f"filled at {', '.join(filled)}"] if filled else []
        rows.append(
            f'<tr id="row-{group.members[0]}" data-feature="{_indices(group)}">'
            f'<th scope="row" class="id{low}">{prose(ids_of(data, group))}</th>'
            f"<td>{described(show, group)}</td>{figure(doubt(show, group))}{cell('; '.join(remarks))}</tr>"
        )
    head = ["feature", f"size, {show.words.unit}", f"#± {show.words.unit}, 95\u00a0%", "remarks"]
    note = (
        "Equal features stand in one row, with the mean of their sizes and the least known one's 95 %. A click on a "
        "row, or the Enter key, turns the view to its features."
    )
    return table("All features", head, rows, note)


def described(show: Figures, group: Group) -> str:
    """What a group is and its size, as HTML: "8 x hole D11.00 on PCD 138.0"."""
    data = show.data
    first = data.features[group.members[0]]
    many = f"{len(group.members)} × " if len(group.members) > 1 else ""
    said = f"{many}{safe(term_of(first))}{_size(show, group)}"
    if group.pattern is None:
        return said
    at, pattern = f"patterns.{group.pattern}", data.patterns[group.pattern]
    if len(group.members) < len(pattern.members):
        said += f", of {len(pattern.members)}"
    spread = pattern.size_uncertainty or pattern.rms
    if pattern.kind == "pitch_circle":
        return f'{said} on <span class="nb">PCD {show.length(f"{at}.diameter", spread)}</span>'
    sides = " × ".join(show.length(f"{at}.size.{side}", spread) for side in range(2))
    return f'{said} in a rectangle <span class="nb">{sides}</span>'


def _size(show: Figures, group: Group) -> str:
    features = [show.data.features[i] for i in group.members]
    if features[0].radius is None:
        return (
            f', <span class="nb">{show.area(f"features.{group.members[0]}.extent.area")} {show.words.area_unit}</span>'
        )
    known = [f.uncertainty.radius for f in features if f.uncertainty.radius]
    # Of what is hardly known, and not known how well, no part of a millimetre is shown.
    spread = 2 * min(known) if known else None if features[0].confidence == "good" else 5.0
    sizes = [f"features.{i}.radius" for i in group.members]
    return f' <span class="nb">{DIAMETER}{show.mean(sizes, spread, 2.0)}</span>'


def doubt(show: Figures, group: Group) -> str:
    """Half the 95 % range of the size, of the least known of a group, in HTML; to the digit that the size has."""
    known = [(show.data.features[i].uncertainty.radius or 0.0, i) for i in group.members]
    spread, i = max(known)
    least = min(u for u, _ in known)
    return show.length(f"features.{i}.uncertainty.radius", 2 * least, 2 * SINGLE) if spread and least else NONE


def _invented(show: Figures) -> str:
    data, unit = show.data, show.words.area_unit
    if not data.gaps and not data.proposals:
        return "<p>No gap was found: nothing was invented.</p>"
    filled, share = show.area("audit.area_filled"), show.share("audit.area_filled", "audit.area_measured")
    closed = [gap for gap in data.gaps if gap.done != "left open"]
    at_features = [gap for gap in closed if gap.features]
    elsewhere = sum(gap.count for gap in closed) - sum(gap.count for gap in at_features)
    left = sum(gap.count for gap in data.gaps) - sum(gap.count for gap in closed)
    asked = sum(bool(gap.proposed) for gap in data.gaps)
    items = [f"{filled} {unit} ({share} %) filled."]
    items += [f"Perhaps not the part at all: {safe(p.what)}; look at it." for p in data.proposals[:1]]
    items += [f"{safe(gap.id)} at {safe(_where(data, gap))}: {prose(gap.note)}." for gap in at_features]
    if elsewhere:
        items.append(f"{elsewhere} at no feature, in cast skin.")
    if left:
        items.append(f"{left} left open" + (f", {asked} of them proposed for closing." if asked else "."))
    return bullets(items[:5] + ([f"and {len(items) - 5} more, further on"] if len(items) > 5 else []))


def _where(data: DatumFile, gap: GapRecord) -> str:
    return ", ".join(named(data, ident) for ident in gap.features)
