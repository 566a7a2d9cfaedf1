"""fit.html: what was asked of placed parts and what the answers hang on; words first, then pictures."""

from __future__ import annotations

import importlib.resources
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.fitup import Placed, lacking
from pipeline.formats.fit_file import FitFile
from pipeline.lengths import in_unit, mm
from pipeline.palette import style_sheet
from pipeline.report import (
    Words,
    bullets,
    cell,
    embedded,
    figure,
    folded,
    html_page,
    prose,
    safe,
    safety_list,
    style_and_script,
    table,
)
from pipeline.report.fit.charts import curve_svg, grid_figure
from pipeline.report.fit.scene import scene_of_parts
from pipeline.report.fit.sections import Section, part_colour, section_svg
from pipeline.report.fit.shown import Shown

_SLIGHT = 0.01  # of the largest term, what isn't shown
_FIGURES = 0.006  # mm: places are told to 0.001 mm or 0.0001 in


def write_page(
    path: Path, record: FitFile, parts: Mapping[str, Placed], shown: Sequence[Shown], unit: str = "mm"
) -> None:
    """Write the page of a fit-up. shown: of each question, in the order of the answers, in `unit` "mm" | "in".

    Raises OSError when the place can't be written.

    >>> import tempfile
    >>> from pipeline.fitup import placed, turned_body
    >>> from pipeline.formats.fit_file import fit_record
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> path = Path(tempfile.mkdtemp()) / "fit.html"
    >>> write_page(path, fit_record("a<b.toml", {"rod": rod}, {"clearances": ()}, True), {"rod": rod}, [])
    >>> "a&lt;b.toml" in path.read_text(encoding="utf-8")
    True
    """
    style, script = style_and_script()
    own = importlib.resources.files("pipeline.report.fit").joinpath("style.css").read_text("utf-8")
    named = {"features": [{"id": name, "name": None, "in_part_frame": {"point": [0, 0, 0], "direction": None},
                           "extent": {"length": None}} for name in parts]}  # fmt: skip
    sections = [(f"answer-{n}", one.asked, _answer(one, unit)) for n, one in enumerate(shown, 1)]
    sections += [
        ("view-title", "The parts in place", _view(parts)),
        ("placing", "How the parts stand", _placing(record, unit)),
    ]
    contents = "".join(f'<li><a href="#{ident}">{safe(name)}</a></li>' for ident, name, _ in sections)
    body = (
        _top(record, parts, unit),
        _answers(shown),
        safety_list(2),
        f'<nav class="contents" aria-labelledby="contents"><h2 id="contents">Contents</h2><ol>{contents}</ol>'
        '<button type="button" class="unfold screen" id="unfold" hidden>Unfold all</button></nav>',
        *(
            f'<section aria-labelledby="{ident}"><h2 id="{ident}">{prose(name)}</h2>\n{inner}</section>'
            for ident, name, inner in sections
        ),
    )
    data = embedded("datums", named) + embedded("scene", scene_of_parts(parts)) + f"<script>\n{script}</script>\n"
    text = html_page(f"{record.layout}: fit-up", f"{style_sheet()}{style}{own}", "\n".join(body), data)
    path.write_text(text, encoding="utf-8", newline="\n")


def _top(record: FitFile, parts: Mapping[str, Placed], unit: str) -> str:
    if record.held:
        kind, strong, rest = (
            "held",
            "All that was asked holds.",
            "See what each answer hangs on.",
        )
    else:
        strong = "Not all that was asked holds for certain."
        kind, rest = "broken", "Look at what is not held, or can't be said, before metal is cut."
    lead = (
        f"Fit-up of {record.layout}: {len(record.parts)} parts, where they stand by the lines of the layout. Lengths "
        f"are {'millimetres' if unit == 'mm' else 'inches'}, places those of the first part. What stands behind ± "
        f"holds at 95 %; terms are standard uncertainties (k = 1) or bounds. {lacking(parts)}"
    )
    return (
        f"<header><h1>{safe(record.layout)}</h1>\n<p class=lead>{safe(lead)}</p></header>\n"
        f'<div class="verdict {kind}" role="status"><strong>{safe(strong)}</strong> {safe(rest)}</div>'
    )


def _answers(shown: Sequence[Shown]) -> str:
    rows = [
        f'<tr><th scope="row"><a href="#answer-{n}">{prose(one.asked)}</a></th>{_word(one)}{cell(one.said)}</tr>'
        for n, one in enumerate(shown, 1)
    ]
    nothing = "<p>The layout asks nothing: write a [[clearance]] table.</p>"
    return table("What was asked", ["question", "answer", "why"], rows) or nothing


def _word(one: Shown) -> str:
    return f'<td class="{"yes" if one.held else "no"}">{safe(one.verdict)}</td>'


def _answer(one: Shown, unit: str) -> str:
    words = Words(unit)
    largest = max((term.size for term in one.terms), default=0.0)
    terms = [
        cell(term.name) + cell(term.kind) + figure(words.small(term.size))
        for term in sorted(one.terms, key=lambda term: -term.size)
        if term.size >= _SLIGHT * largest
    ]
    note = (
        "95 %: twice the root of the random terms' (k = 1) squares, and the bounds as they are. What is under a "
        "hundredth of the largest is not shown."
    )
    pictures = [_section(section, one.asked) for section in one.sections]
    pictures += [f'<figure class="chart">{curve_svg(curve)}<figcaption>{safe(curve.title)}</figcaption></figure>'
                 for curve in one.curves]  # fmt: skip
    pictures += [f'<figure class="chart">{grid_figure(grid)}</figure>' for grid in one.grids]
    parted = f'<p><strong class="{"yes" if one.held else "no"}">{safe(one.verdict)}</strong>: {prose(one.said)}</p>'
    known = table("What this is not known better than by", ["term", "kind", f"#{words.small_unit}"], terms, note)
    both = f'<div class="answer"><div>{"".join(pictures)}</div><div>{bullets(map(prose, one.facts))}{known}</div></div>'
    lists = "".join(
        table(
            listed.title,
            listed.heads,
            [
                "".join(
                    figure(text) if head.startswith("#") else cell(text)
                    for head, text in zip(listed.heads, row, strict=True)
                )
                for row in listed.rows
            ],
        )
        for listed in one.lists
    )
    pastes = "".join(f"<p>{safe(head)}</p><pre>{safe(lines.strip())}</pre>" for head, lines in one.pastes)
    return parted + (both if pictures or one.facts or terms else "") + lists + pastes


def _section(section: Section, asked: str) -> str:
    keys = "".join(
        f'<li><span class="swatch" style="background:{part_colour(number)}"></span>{safe(name)}</li>'
        for number, (name, runs) in enumerate(section.runs.items())
        if runs
    )
    looks = ", ".join(f"{value:.2f}" for value in (section.looks.round(2) + 0.0).tolist())
    wide = in_unit(mm(section.wide, ".0f"), section.unit)
    said = f"Section through the two places, {wide} wide, seen against [{looks}]."
    return (
        f'<figure class="chart">{section_svg(section, f"{asked}: section, {section.label}")}'
        f'<figcaption>{said}<ul class="keys">{keys}</ul></figcaption></figure>'
    )


def _view(parts: Mapping[str, Placed]) -> str:
    rows = "".join(
        f'<tr data-feature="{number}" id="part-{number}"><th scope="row"><span class="swatch" '
        f'style="background:{part_colour(number)}"></span>{safe(name)}</th>'
        f"{figure(f'{part.body.surface.facets:,}')}"
        f"{cell('solid' if part.body.closed else 'open surface')}</tr>"
        for number, (name, part) in enumerate(parts.items())
    )
    listed = table("Parts", ["part", "#facets", "is a"], [rows])
    help_text = (
        "Drag or arrow keys turn, wheel or + and − zoom, Shift and drag moves, 0 goes back. A click on a part finds "
        "its row. Cross-hatched: never measured."
    )
    return f"""<div class="work"><div class="view"><div id="view3d-box"><canvas id="view3d" tabindex="0" role="img" aria-labelledby="view-title" aria-describedby="view3d-help"></canvas><div id="tip" hidden></div></div>
<p class="lead screen"><span id="view3d-status" role="status">Nothing is selected.</span> <span id="view3d-help">{safe(help_text)}</span></p></div>
<div class="rows">{listed}</div></div>"""  # noqa: E501


def _placing(record: FitFile, unit: str) -> str:
    words, rows = Words(unit), []
    for part in record.parts:
        taken = "; ".join(f"line {n}: {', '.join(line)}" for n, line in enumerate(part.taken, 1)) or "as it is"
        place = ", ".join(words.length(row[3], _FIGURES) for row in part.matrix[:3])
        left = "; ".join(
            f"{one.words}: {in_unit(mm(one.shift, '.3f'), unit)} and {one.angle:.4f}°"
            for one in part.left
            if one.shift > 0.001
        )
        rows.append(
            f'<th scope="row">{safe(part.name)}</th>' + figure(place) + cell(taken)
            + cell(", ".join(part.free) if part.taken else "–") + cell(left or "–")
        )  # fmt: skip
    head = [
        "part",
        f"#origin at, {unit}",
        "freedoms that its lines take",
        "left free",
        "lines that are not held exactly",
    ]
    matrices = "\n".join(f"{part.name}\n{json.dumps([list(row) for row in part.matrix])}\n" for part in record.parts)
    return table("Where the parts stand", head, rows) + folded(
        "Matrices, part to place, mm", f"<pre>{safe(matrices)}</pre>"
    )
