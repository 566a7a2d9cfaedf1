"""Tables in HTML, and how features are named in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.formats.datum_file import DatumFile
from pipeline.formats.tables import SAFETY
from pipeline.report.words import prose, safe


def cell(text: object, kind: str = "") -> str:
    """A cell of words.

    >>> cell("a < b", "id")
    '<td class=id>a &lt; b</td>'
    """
    return f"<td{f' class={kind}' if kind else ''}>{prose(str(text))}</td>"


def figure(inner: str) -> str:
    """A cell of figures that are HTML already.

    >>> figure("1.5")
    '<td class=n>1.5</td>'
    """
    return f"<td class=n>{inner}</td>"


def bullets(items: Iterable[str]) -> str:
    """A list of HTML items; nothing where there are none.

    >>> bullets(["one", "two"]), bullets([])
    ('<ul><li>one</li><li>two</li></ul>', '')
    """
    inner = "".join(f"<li>{item}</li>" for item in items)
    return f"<ul>{inner}</ul>" if inner else ""


def safety_list(level: int) -> str:
    """The cautions that hold for every run, under a heading of a level.

    >>> safety_list(2).partition("</h2>")[0]
    '<aside class="cautions" aria-labelledby="before-use"><h2 id="before-use">Before you use this'
    """
    told = bullets(f"<b>{safe(about)}{'' if text[0].islower() else '.'}</b> {safe(text)}" for about, text in SAFETY)
    heading = f'<h{level} id="before-use">Before you use this</h{level}>'
    return f'<aside class="cautions" aria-labelledby="before-use">{heading}{told}</aside>'


def folded(title: str, inner: str) -> str:
    """HTML under a title that unfolds it; nothing where there is nothing to unfold.

    >>> folded("more", "<p>b</p>")
    '<details><summary>more</summary><p>b</p></details>'
    """
    return f"<details><summary>{safe(title)}</summary>{inner}</details>" if inner else ""


def table(caption: str, head: Sequence[str], rows: Iterable[str], note: str = "", unseen: bool = False) -> str:
    """head: names of the columns, a "#" before those of figures. rows: the cells of each row, or a whole <tr>.

    Nothing where there are no rows. unseen: the caption is only read out, a heading says the same.

    caption, note  above it, the note in small letters

    >>> table("sizes", ["what", "#mm"], [cell("D") + figure("5")]).count("<tr>"), table("sizes", ["what"], [])
    (2, '')
    """
    body = "\n".join(row if row.startswith("<tr") else f"<tr>{row}</tr>" for row in rows)
    if not body:
        return ""
    cells = "".join(
        f'<th scope="col"{" class=n" if name.startswith("#") else ""}>{safe(name.lstrip("#"))}</th>' for name in head
    )
    told = f" <small>{safe(note)}</small>" if note else ""
    told = f"<caption{' class=unseen' if unseen else ''}>{safe(caption)}{told}</caption>"
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{safe(caption)}"><table>'
        f"{told}\n<thead><tr>{cells}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
    )


def named(data: DatumFile, ident: str) -> str:
    """A feature's id, with the name that the job gave it."""
    name = data.name_of(ident)
    return f"{ident} ({name})" if name else ident
