"""Tables in HTML, and how features are named in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.formats.datum_file import DatumFile
from pipeline.report.words import prose, safe


def cell(text: object, kind: str = "") -> str:
    """A cell of words."""
    return f"<td{f' class={kind}' if kind else ''}>{prose(str(text))}</td>"


def figure(inner: str) -> str:
    """A cell of figures that are HTML already."""
    return f"<td class=n>{inner}</td>"


def table(caption: str, head: Sequence[str], rows: Iterable[str], note: str = "") -> str:
    """head: names of the columns, a "#" before those of figures. rows: the cells of each row, or a whole <tr>.

    Nothing where there are no rows.
    """
    body = "\n".join(row if row.startswith("<tr") else f"<tr>{row}</tr>" for row in rows)
    if not body:
        return ""
    cells = "".join(
        f'<th scope="col"{" class=n" if name.startswith("#") else ""}>{safe(name.lstrip("#"))}</th>' for name in head
    )
    told = f" <small>{safe(note)}</small>" if note else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{safe(caption)}"><table>'
        f"<caption>{safe(caption)}{told}</caption>\n<thead><tr>{cells}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
    )


def named(data: DatumFile, ident: str) -> str:
    """A feature's id, with the name that the job gave it."""
    name = data.name_of(ident)
    return f"{ident} ({name})" if name else ident
