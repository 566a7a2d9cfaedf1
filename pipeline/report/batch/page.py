"""batch.html: the scans of a batch as a table, and the spread of their features with a small chart each."""

from __future__ import annotations

import urllib.parse
from itertools import groupby

from pipeline.formats.batch_file import HELD, BatchFile, PartRecord, SpreadRecord
from pipeline.geometry import MM_PER_INCH
from pipeline.palette import css, style_sheet
from pipeline.report import Words, bullets, cell, figure, html_page, prose, safe, safety_list, style_and_script, table

_WIDE, _HIGH, _EDGE = 220.0, 36.0, 6.0
_NONE = "–"
_MOST_SHOWN = 400  # figures in the page: the others are in spread.csv


def batch_page(data: BatchFile, unit: str = "mm") -> str:
    """The page as text; lengths in `unit` "mm" | "in".

    >>> from pipeline.formats.batch_file import batch_record, failed
    >>> page = batch_page(batch_record("a<b.toml", [failed("a.stl", "a", "unusable", "cut short")], frozenset(), None))
    >>> "a&lt;b.toml" in page, "cut short" in page
    (True, True)
    """
    style, _ = style_and_script()
    body = (
        _top(data),
        _parts(data, Words(unit)),
        f'<aside class="cautions"><h2>Cautions of this batch</h2>{bullets(map(prose, data.cautions))}</aside>'
        if data.cautions
        else "",
        _spread(data, unit),
        safety_list(2),
    )
    return html_page(f"{data.job}: batch", style_sheet() + style, "\n".join(filter(None, body)))


def _top(data: BatchFile) -> str:
    done = sum(part.verdict in HELD for part in data.parts)
    held = sum(part.verdict == "held" for part in data.parts)
    if data.held:
        kind, strong, rest = "held", "All scans went through.", "None broke a budget."
    else:
        kind, strong = "broken", f"{held} of {len(data.parts)} scans held."
        rest = f"{done - held} went through but not within budget, of {len(data.parts) - done} nothing came."
    lead = f"{len(data.parts)} scans with the job {data.job}. What is told of a part is told in full in its own folder."
    return (
        f"<header><h1>{safe(data.job)}</h1>\n<p class=lead>{safe(lead)}</p></header>\n"
        f'<div class="verdict {kind}" role="status"><strong>{safe(strong)}</strong> {safe(rest)}</div>'
    )


def _parts(data: BatchFile, words: Words) -> str:
    rows = [_part(number, part, words) for number, part in enumerate(data.parts, 1)]
    head = [
        "#no.", "scan", "verdict", "#facets", f"size, {words.unit}", f"#noise, {words.small_unit}", "#light facets",
        "datums", "budget", "#features", "#of low confidence",
    ]  # fmt: skip
    return f"<section><h2>The scans</h2>{table('The scans', head, rows, unseen=True)}</section>"


def _part(number: int, part: PartRecord, words: Words) -> str:
    name = safe(part.scan)
    if part.verdict in HELD:
        name = f'<a href="{safe(urllib.parse.quote(part.folder))}/summary.md">{name}</a>'
    size = _NONE if part.size is None else " × ".join(words.length(v) for v in part.size)
    datums = ", ".join(f"{letter} {feature}" for letter, feature in part.datums.items()) or _NONE
    if part.complete is False:
        datums += " (incomplete)"
    budget = "; ".join(
        f"{line.what}: {_value(line.value, line.unit, words)} of {_value(line.limit, line.unit, words)}"
        + ("" if line.held else ", not held")
        for line in part.budget
    )
    why = "" if part.verdict in HELD or not part.why else f"<br>{prose(part.why)}"
    cells = (
        figure(str(number)),
        f'<th scope="row" class=nb>{name}</th>',
        f'<td><span class="{"yes" if part.verdict == "held" else "no"}">{safe(part.verdict)}</span>{why}</td>',
        figure(_count(part.facets)),
        cell(size, "nb"),
        figure(words.small(part.noise)),
        figure(_count(part.light_facets)),
        cell(datums),
        cell(budget or (_NONE if part.verdict not in HELD else "none was set")),
        figure(_count(part.features)),
        figure(_count(part.unsure)),
    )
    return "".join(cells)


def _count(value: int | None) -> str:
    return _NONE if value is None else f"{value:,}"


def _value(value: float | None, unit: str, words: Words) -> str:
    if value is None:
        return "no figure"
    return f"{value:.4f}°" if unit == "deg" else f"{words.small(value)} {words.small_unit}"


def _spread(data: BatchFile, unit: str) -> str:
    if not data.spread:
        return (
            "<section><h2>How far the parts spread</h2><p>No feature of good confidence has a number in common, so "
            "there is no spread.</p></section>"
        )
    stand_out = [line for line in data.spread if line.apart or line.drifts]
    shown = [*stand_out, *(line for line in data.spread if line not in stand_out)][:_MOST_SHOWN]
    left = len(data.spread) - len(shown)
    order = {id(line): k for k, line in enumerate(data.spread)}
    shown.sort(key=lambda line: order[id(line)])
    said = [
        f"{line.feature} {line.figure}: {' and '.join(filter(None, (_apart(line, unit), _drift(line, unit))))}"
        for line in stand_out
    ]
    told = (
        f"<h3>What stands out</h3>{bullets(map(prose, said))}"
        if said
        else "<p>No difference between the parts and no trend stands out of what measuring explains.</p>"
    )
    rows = []
    for _, lines in groupby(shown, key=lambda line: line.feature):
        rows += [_line(line, unit, data) for line in lines]
    head = [
        "feature", "what", "figure", "#parts", "#mean", "#sigma", "#least", "#largest", "#measured within",
        "parts differ", "#trend a part", "in the parts' order",
    ]  # fmt: skip
    note = (
        f"Lengths in {unit}, angles in degrees. Sigma is the standard deviation over the parts, with what measuring "
        "makes of it in it; measured within is what measuring alone makes of it (k = 1, root mean square). Parts "
        f"differ, and there is a trend, where chance makes that less often than in {100 * data.level:.0f} of 100 such "
        "batches of equal parts, all figures together (Holm 1979). Features of low confidence are left out. What the "
        "datums fix is not listed. A bar in a chart is the standard uncertainty of a value."
    )
    more = f"<p>{left} more figures, none of which stands out, are in spread.csv.</p>" if left else ""
    return f"<section><h2>How far the parts spread</h2>{told}{table('Spread', head, rows, note)}{more}</section>"


def _line(line: SpreadRecord, unit: str, data: BatchFile) -> str:
    name = f"{line.feature} ({line.name})" if line.name else line.feature
    differ = "can't be said" if line.apart is None else "yes" if line.apart else "not told"
    trend = _NONE if line.trend is None else _number(line.trend, line.trend_within, line.unit, unit)
    if line.trend is not None and not line.drifts:
        trend += " (not told)"
    doubt = line.measured_within or line.sigma
    cells = (
        f'<th scope="row">{safe(name)}</th>',
        cell(line.term),
        cell(f"{line.figure}, {unit if line.unit == 'mm' else '°'}"),
        figure(f"{line.count} of {len(data.parts)}"),
        *(figure(_number(v, doubt, line.unit, unit)) for v in (line.mean, line.sigma, line.least, line.largest)),
        figure(_number(line.measured_within, line.measured_within, line.unit, unit)),
        f"<td{' class=no' if line.apart else ''}>{differ}</td>",
        f"<td class=n>{safe(trend)}</td>",
        f"<td>{_chart(line)}</td>",
    )
    return "".join(cells)


def _apart(line: SpreadRecord, unit: str) -> str:
    if not line.apart:
        return ""
    sigma, within = (_number(v, line.measured_within, line.unit, unit) for v in (line.sigma, line.measured_within))
    return f"the parts differ, sigma {sigma} where measuring explains {within} {unit if line.unit == 'mm' else 'deg'}"


def _drift(line: SpreadRecord, unit: str) -> str:
    if not line.drifts:
        return ""
    told = _number(line.trend, line.trend_within, line.unit, unit)
    return f"it drifts by {told} {unit if line.unit == 'mm' else 'deg'} a part"


def _number(value: float | None, uncertainty: float | None, of: str, unit: str) -> str:
    if value is None:
        return _NONE
    words = Words(unit)
    return words.length(value, uncertainty or None) if of == "mm" else words.angle(value, uncertainty or None)


def _chart(line: SpreadRecord) -> str:
    """The values over the parts, the mean as a line."""
    reach = max(line.largest - line.mean, line.mean - line.least) + (line.measured_within or 0.0)
    if line.count < 2 or reach == 0.0:
        return ""
    across = (_WIDE - 2 * _EDGE) / max(len(line.values) - 1, 1)

    def y(value: float) -> float:
        return _HIGH / 2 - (value - line.mean) / reach * (_HIGH / 2 - _EDGE / 2)

    ink, rule, curve = css("ink"), css("rule"), css("curve of most")
    marks = [f'<path d="M0 {y(line.mean):.1f}H{_WIDE:.0f}" stroke="{rule}"/>']
    for number, value in enumerate(line.values):
        if value is None:
            continue
        x = _EDGE + number * across
        if line.measured_within:
            low, high = y(value - line.measured_within), y(value + line.measured_within)
            marks.append(f'<path d="M{x:.1f} {low:.1f}V{high:.1f}" stroke="{curve}"/>')
        marks.append(f'<circle cx="{x:.1f}" cy="{y(value):.1f}" r="2.2" fill="{ink}"/>')
    said = (
        f"{line.feature} {line.figure} of each part in their order; they reach from {line.least:g} to {line.largest:g}"
    )
    if line.unit == "mm":
        said += f" mm ({line.least / MM_PER_INCH:.4f} to {line.largest / MM_PER_INCH:.4f} in)"
    return (
        f'<svg role="img" viewBox="0 0 {_WIDE:.0f} {_HIGH:.0f}" width="{_WIDE:.0f}" height="{_HIGH:.0f}">'
        f"<title>{safe(said)}</title>{''.join(marks)}</svg>"
    )
