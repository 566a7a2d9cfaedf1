"""The report's HTML, from the datum file's data and the pictures: words and tables, no geometry.

It answers in this order: may I trust this, where are my datums, what was invented, what do I still have to measure by
hand, what was refused.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.features.naming import DATUM_SYSTEM, NOISE_REMOVED, freedoms_in_words, term_of
from pipeline.formats.datum_file import DatumFile, plain_data
from pipeline.formats.tables import holds
from pipeline.job import closing_text, zone_text
from pipeline.report.feature_tables import feature_tables, place_table, relation_tables, set_up_section, solid_section
from pipeline.report.figures import Figures
from pipeline.report.first_screen import alike, feature_rows, first_screen
from pipeline.report.tables import bullets, cell, figure, folded, named, safety_list, table
from pipeline.report.words import DIAMETER, NONE, Words, prose, safe
from pipeline.surfaces import kind_of

# Under this arc, degrees, the radius and the place of a round feature can't be told apart well.
PARTIAL_ARC = 120.0
SCALE_IN_WORDS = "blue-green with lines, over light grey, to plain brown"
# So many cautions of one kind stand in full, the others folded under them.
IN_FULL = 2


@dataclass(frozen=True)
class Pictures:
    """Images as data URLs: corner the hero view, views the six by name, maps by feature id with what their sides are,
    keys by look; ramp the colour scale. limit, map_limit: mm at the ends of the colours in the 3D view and the maps.
    more_maps: how many maps stand beside the report only. ladder: the curve of facet counts, "" where none was made.
    proposals: a close-up of each thing that is probably not the part, "" where it can't be shown; closings the same of
    each gap whose closing is proposed. section: the half-section as SVG, "" where there is none.
    refused: by name the views with the numbers of refused surfaces on them."""

    corner: str
    views: dict[str, str]
    maps: dict[str, tuple[str, str]]
    keys: dict[str, str]
    ramp: str
    histogram: str
    limit: float
    map_limit: float
    more_maps: int
    ladder: str = ""
    proposals: tuple[str, ...] = ()
    refused: dict[str, str] = field(default_factory=dict)
    closings: tuple[str, ...] = ()
    section: str = ""


def page(
    data: DatumFile, pictures: Pictures, scene: dict[str, Any], style: str, script: str, job: str, unit: str
) -> str:
    """The whole page. scene: what the 3D view draws; job: the job file's text as run."""
    show = Figures(data, Words(unit))
    title = data.title or data.source.file
    sections = (
        ("cautions", "Cautions", _cautions(data)),
        ("features-title", "Features", _features(show, pictures, scene["thinned"])),
        ("half-section", "Section along the main axis", _half_section(pictures)),
        ("trust", "May I trust this?", _trust(show, pictures)),
        ("datums-title", "Where are my datums?", _datums(show, pictures)),
        ("set-ups", "Where do the set-ups lie?", set_up_section(show)),
        ("relations", "What holds between features", relation_tables(show)),
        ("invented", "What was invented?", _invented(show, pictures)),
        ("by-hand", "What do I still have to measure by hand?", _by_hand(show)),
        ("solid", "The solid for CAD", solid_section(show) if data.solid else ""),
        ("refused", "What was refused?", _refused(show, pictures)),
        ("maps", "How the scan lies on each feature", _maps(show, pictures)),
        ("again", "To run this again", _again(show, job)),
    )
    told = [one for one in sections if one[2]]
    body = (
        _top(show, title),
        first_screen(show, _hero(data, pictures), _to_gauge(show)),
        _contents([(ident, name) for ident, name, _ in told]),
        *(
            f'<section aria-labelledby="{ident}"><h2 id="{ident}">{safe(name)}</h2>\n{inner}</section>'
            for ident, name, inner in told
        ),
    )
    return html_page(
        f"{title}: datums and audit",
        style,
        "\n".join(part for part in body if part),
        embedded("datums", plain_data(data)) + embedded("scene", scene) + f"<script>\n{script}</script>\n",
    )


def html_page(title: str, style: str, main: str, after: str = "") -> str:
    """A whole page: its title as plain text, its style sheet, what stands in it, and data and scripts after that.

    >>> html_page("a<b", "p {}", "<p>c</p>").splitlines()[6]
    '<title>a&lt;b</title>'
    """
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">\n'
        f"<title>{safe(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>\n{main}\n</main>\n"
        f"{after}</body>\n</html>\n"
    )


def embedded(name: str, value: dict[str, Any]) -> str:
    """Plain data as an element of the page, for its script.

    >>> embedded("a", {"b": "</script>"})
    '<script type="application/json" id="a">{"b":"\\\\u003c/script>"}</script>\\n'
    """
    # "<" in JSON text could end the script element from inside a name.
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    return f'<script type="application/json" id="{name}">{text}</script>\n'


def _joined(parts: Iterable[str]) -> str:
    return "\n".join(part for part in parts if part)


def _half_section(pictures: Pictures) -> str:
    if not pictures.section:
        return ""
    words = (
        "Half-section along the main axis: cut above it, outline of the scan below; diameters and shoulder distances "
        "with their 95 % range where it is known. section.dxf has it at 1:1."
    )
    return f'<figure class="chart">{pictures.section}<figcaption>{words}</figcaption></figure>'


def _contents(sections: Sequence[tuple[str, str]]) -> str:
    items = "".join(f'<li><a href="#{ident}">{safe(name)}</a></li>' for ident, name in sections)
    unfold = '<button type="button" class="unfold screen" id="unfold" hidden>Unfold all</button>'
    head = '<h2 id="contents">Contents</h2>'
    return f'<nav class="contents" aria-labelledby="contents">{head}<ol>{items}</ol>{unfold}</nav>'


def _top(show: Figures, title: str) -> str:
    data, unit = show.data, show.words.unit
    size = " × ".join(show.difference(f"source.bounds.1.{a}", f"source.bounds.0.{a}", 0.5) for a in range(3))
    facts = {
        "facets": f"{show.number('audit.facets_before')}, light {show.number('audit.facets_after')}",
        "size of the scan": f"{size} {unit}",
        "its noise": f"{show.small('source.noise_sigma')} {show.words.small_unit}",
        "its mean edge": f"{show.length('source.mean_edge')} {unit}",
        "features": f"{len(data.features)}",
    }
    kind, strong, rest = _verdict(data, unit)
    lead = (
        f"Datums, light mesh and audit of {data.source.file}, made by {data.made_by.program} {data.made_by.version}. "
        "Coordinates are those of the part frame. Uncertainties are standard ones (k = 1) unless a heading says 95 %."
    )
    rows = "".join(f"<div><dt>{safe(name)}</dt><dd>{text}</dd></div>" for name, text in facts.items())
    return (
        f"<header><h1>{_breakable(title)}</h1>\n<p class=lead>{safe(lead)}</p></header>\n"
        f'<div class="verdict {kind}" role="status"><strong>{safe(strong)}</strong> {safe(rest)}</div>\n'
        f'<dl class="facts">{rows}</dl>'
    )


def _breakable(title: str) -> str:
    """A title as HTML; a file's name may break behind its joints."""
    return re.sub(r"(?<=[_.-])(?=\w)", "<wbr>", safe(title))


def _hero(data: DatumFile, pictures: Pictures) -> str:
    if not pictures.corner:
        return ""
    return (
        f'<figure class="hero"><img src="{pictures.corner}" alt="{safe(_corner_in_words(data))}">'
        f"<figcaption>{_keys(pictures)}</figcaption></figure>"
    )


def _keys(pictures: Pictures, more: str = "") -> str:
    items = "".join(f'<li><img src="{url}" alt="">{safe(name)}</li>' for name, url in pictures.keys.items())
    return f'<ul class="keys"{more} aria-label="Colours and hatches">{items}</ul>' if items else ""


def _corner_in_words(data: DatumFile) -> str:
    datums = ", ".join(f"{d.letter} on {named(data, d.feature)}" for d in data.frame.datums)
    return f"The part seen from a corner; datums: {datums or 'none'}"


def _verdict(data: DatumFile, unit: str) -> tuple[str, str, str]:
    """Its look, the verdict, and what to make of it."""
    audit = data.audit
    failed = [named(data, check.feature) for check in data.calipers if check.agrees is False]
    broken = [line for line in audit.budget if not line.held]
    if failed:
        rest = f"Sizes measured on the part don't fit the scan at {', '.join(failed)}: find out why before you build."
        return "broken", "The scan and the part disagree.", rest
    if broken:
        names = "; ".join(f"{line.what} {line.where_in(unit)}".strip() for line in broken)
        return "broken", "Not within budget.", f"Don't build on the light mesh before you have looked at: {names}."
    if audit.budget:
        rest = (
            "Every promise of the job held on the measured surface. What was filled or not seen is outside any promise."
        )
        return "held", "Within budget.", rest
    rest = "The figures below say what lightening cost; whether that is good enough for your job is yours to judge."
    return "open", "No budget was set.", rest


def _trust(show: Figures, pictures: Pictures) -> str:
    audit, unit = show.data.audit, show.words.small_unit
    both = [("scan_to_light", "scan to light mesh"), ("light_to_scan", "light mesh to scan")]
    ways = [(key, f"{name}, as measured") for key, name in both]
    if audit.second_opinion:
        ways += [(f"second_opinion.{key}", f"{name}, as measured by pymeshlab") for key, name in both]
    if audit.noise_aside:
        ways += [(f"noise_aside.{key}", f"{name}, {NOISE_REMOVED}") for key, name in both]
    rows = [
        cell(name)
        + "".join(figure(show.small(f"audit.{key}.{what}")) for what in ("mean", "rms", "p95", "p99", "max"))
        + "".join(figure(show.length(f"audit.{key}.in_part_frame.where.{axis}", 0.05)) for axis in range(3))
        for key, name in ways
    ]
    caption = (
        f"Distances between scan and light mesh, {unit}; filled facets left out. Scan noise removed: the features as "
        f"fitted, the rest as smooth as the scan's noise allows. x, y, z: where the largest is, {show.words.unit}."
    )
    distances = table(caption, ["way", "#mean", "#rms", "#95 %", "#99 %", "#largest", "#x", "#y", "#z"], rows)
    moved = ""
    if audit.lightening_rms is not None:
        figured = show.small("audit.lightening_rms")
        moved = f"<p>Scan noise removed, lightening moved the surface by {figured} {unit} (rms).</p>"
    curve = f'<figure class="chart">{pictures.histogram}</figure>' if pictures.histogram else ""
    ladder = ""
    if pictures.ladder:
        ladder = (
            f'<figure class="chart"><img src="{pictures.ladder}" alt="Largest deviation against facet count" '
            'style="width:100%"><figcaption>What each facet count costs, from the last run of datumlift ladder in this '
            "folder.</figcaption></figure>"
        )
    return _joined(
        [
            _budget(show),
            distances,
            moved,
            _surface(show),
            folded("How the deviations are spread", curve),
            folded("What each facet count costs", ladder),
        ]
    )


def _surface(show: Figures) -> str:
    """What became of the surface as such, and of edges that were made sharp."""
    audit, unit, at = show.data.audit, show.words.small_unit, "audit.sharp_edges"
    out = ""
    if audit.sharp_edges is not None:
        out += (
            f"<p>Edges were made sharp on request, on {show.area(f'{at}.area')} {show.words.area_unit} of the scan. "
            f"There the scan as measured is up to {show.small(f'{at}.from_scan')} {unit} from the light mesh, and the "
            f"features' own surfaces up to {show.small(f'{at}.from_features')} {unit}: the budget is held against "
            "these.</p>"
        )
    if audit.soundness is not None:
        edges, crossing = "audit.soundness.open_edges", "audit.soundness.crossing_facets"
        out += (
            f"<p>Open edges: {show.number(f'{edges}.light')} in the light mesh, {show.number(f'{edges}.scan')} in the "
            "scan with its gaps filled. Facets that pass through others: "
            f"{show.number(f'{crossing}.light')} in the light mesh, {show.number(f'{crossing}.scan')} near them in the "
            "scan.</p>"
        )
    return out


def _budget(show: Figures) -> str:
    rows = []
    for index, line in enumerate(show.data.audit.budget):
        small = line.unit == "mm"
        at = f"audit.budget.{index}"
        limit, value = (
            (show.small(f"{at}.{what}") if small else show.angle(f"{at}.{what}", 0.001)) for what in ("limit", "value")
        )
        held = '<td class="yes">held</td>' if line.held else '<td class="no">NOT HELD</td>'
        unit = show.words.small_unit if small else line.unit
        rows.append(
            cell(line.what) + figure(limit) + figure(value) + cell(unit) + held + cell(line.where_in(show.words.unit))
        )
    return table("The promises of the job", ["promise", "#limit", "#measured", "unit", "held?", "where"], rows)


def _features(show: Figures, pictures: Pictures, thinned: int | None) -> str:
    """The table of all features beside the view that it steers; below it, folded, all that is known of each."""
    if not show.data.features:
        return "<p>No feature was recovered.</p>" + _view(show, pictures, thinned)
    view = f'<div class="view">{_view(show, pictures, thinned)}</div>'
    return f'<div class="work">{view}<div class="rows">{feature_rows(show)}</div></div>{feature_tables(show)}'


def _view(show: Figures, pictures: Pictures, thinned: int | None) -> str:
    edge = f"{show.words.small(pictures.limit)} {show.words.small_unit}"
    less = f" Drawn with {thinned:,} facets, fewer than the light mesh has." if thinned else ""
    keys = _keys(pictures, ' id="view3d-keys" hidden') or '<ul id="view3d-keys" hidden></ul>'
    return f"""<h3 id="view-title">The light mesh in three dimensions</h3>
<fieldset class="paint screen"><legend>Paint by</legend>
<label><input type="radio" name="paint" value="deviation" checked> deviation from the scan</label>
<label><input type="radio" name="paint" value="kind"> kind of feature</label>
</fieldset>
<p class="scale" id="view3d-scale">inside by {safe(edge)} <img src="{pictures.ramp}" alt="{SCALE_IN_WORDS}"> outside by {safe(edge)}</p>{keys}
<div id="view3d-box"><canvas id="view3d" tabindex="0" role="img" aria-labelledby="view-title" aria-describedby="view3d-help"></canvas><div id="tip" hidden></div></div>
<p class="lead screen"><span id="view3d-status" role="status">Nothing is selected.</span> <span id="view3d-help">Drag or arrow keys turn, wheel or + and − zoom, Shift and drag moves, 0 goes back. A click on the part finds its row.{less}</span></p>"""  # noqa: E501


def _datums(show: Figures, pictures: Pictures) -> str:
    data, unit = show.data, show.words.small_unit
    frame = data.frame
    rows = [cell(d.letter) + cell(named(data, d.feature)) + cell(freedoms_in_words(d.constrains)) for d in frame.datums]
    caption = f"{DATUM_SYSTEM}; axes are those of the part frame"
    parts = [table(caption, ["datum", "feature", "constrains"], rows)]
    if not frame.complete:
        parts.append('<p class="no">The frame is incomplete: what no datum fixes was chosen, not measured.</p>')
    parts.append(bullets(map(prose, frame.reasons)))
    if frame.uncertainty:
        shift = ", ".join(show.small(f"frame.uncertainty.translation.{a}") for a in range(3))
        turn = ", ".join(show.angle(f"frame.uncertainty.rotation.{a}", frame.uncertainty.rotation[a]) for a in range(3))
        parts.append(
            f"<p>Standard uncertainty of the frame: {shift} {unit} along x, y, z; {turn} degrees about them.</p>"
        )
    if pictures.views:
        views = "".join(
            f'<figure><img src="{url}" alt="The part seen {safe(name)}: kinds of feature by colour and hatch, '
            f'letters of the datums to be seen from there"><figcaption>{safe(name)}</figcaption></figure>'
            for name, url in pictures.views.items()
        )
        parts.append(folded("Six views", f'{_keys(pictures)}<div class="views">{views}</div>'))
    parts.append(f"<p>{safe(holds(show.data.source.scale_uncertainty))}</p>")
    parts.append(place_table(show))
    return _joined(parts)


def _refused(show: Figures, pictures: Pictures) -> str:
    """What was looked at and refused, from the area on that the job says."""
    data, unit = show.data, show.words.unit
    listed = sorted((r.number, i) for i, r in enumerate(data.rejected) if r.number is not None)
    if not listed:
        return ""
    fits: list[str] = []
    rough: list[str] = []
    for number, i in listed:
        r = data.rejected[i]
        place = ", ".join(show.length(f"rejected.{i}.in_part_frame.point.{axis}") for axis in range(3))
        row = (
            cell(f"X{number}", "id")
            + cell(term_of(r))
            + figure(show.length(f"rejected.{i}.radius", times=2.0))
            + figure(show.area(f"rejected.{i}.area"))
            + figure(show.number(f"rejected.{i}.arc"))
            + figure(place)
            + cell(r.reason)
        )
        (fits if r.fits else rough).append(row)
    head = [
        "no.",
        "what",
        f"#D {unit}",
        f"#area {show.words.area_unit}",
        "#arc °",
        f"#on it: x, y, z {unit}",
        "why not",
    ]
    told = (
        f"<p>{len(listed)} surfaces were looked at and not made features: too little of them was seen, they pass "
        "smoothly into cast skin, or they are rougher than the noise explains. If one is a machined face all the "
        "same, accept it by a point on it and its kind; it then is a feature of low confidence, and others are as they "
        f"were.</p><pre>{safe(data.rejected[listed[0][1]].acceptance(unit).strip())}</pre>"
    )
    views = "".join(
        f'<figure><img src="{url}" alt="Refused surfaces, numbered, {safe(name)}">'
        f"<figcaption>{safe(name)}</figcaption></figure>"
        for name, url in pictures.refused.items()
    )
    return _joined(
        [
            told,
            folded("Where they are", f'<div class="views">{views}</div>' if views else ""),
            folded(
                f"{len(fits)} that fit within the noise", table("Refused though they fit within the noise", head, fits)
            ),
            folded(
                f"{len(rough)} that are rougher than the noise explains", table("Refused for their form", head, rough)
            ),
        ]
    )


def _proposed(show: Figures, closeups: Sequence[str]) -> str:
    data = show.data
    if not data.proposals:
        return ""
    parts = [
        "<h3>Probably not the part</h3><p>Nothing was cut for these. If one is not the part, paste its zone into the "
        "job file and run again.</p>"
    ]
    for number, p in enumerate(data.proposals):
        parts.append(f"<p>{safe(p.what)}{_at(show, number)}: {safe(p.reason)}</p>")
        if number < len(closeups) and closeups[number]:
            parts.append(
                f'<figure><img src="{closeups[number]}" alt="Close-up: {safe(p.what)}, marked by colour and lines">'
                f"<figcaption>{safe(p.what)}, marked</figcaption></figure>"
            )
        parts.append(f"<pre>{safe(zone_text(p.zone).strip())}</pre>")
    return "".join(parts)


def _at(show: Figures, number: int) -> str:
    if show.data.proposals[number].in_part_frame is None:
        return ""
    place = ", ".join(show.length(f"proposals.{number}.in_part_frame.point.{axis}") for axis in range(3))
    return f" at [{place}] {show.words.unit}"


def _invented(show: Figures, pictures: Pictures) -> str:
    data, unit = show.data, show.words.area_unit
    alike: dict[tuple[str, str, str], list[int]] = {}
    for i, gap in enumerate(data.gaps):
        alike.setdefault((gap.kind, gap.done, gap.note), []).append(i)
    rows = []
    for (kind, done, note), members in alike.items():
        at = dict.fromkeys(named(data, f) for i in members for f in data.gaps[i].features)
        rows.append(
            cell(", ".join(data.gaps[i].id for i in members), "id")
            + cell(f"{sum(data.gaps[i].count for i in members):,}")
            + cell(kind)
            + cell(done)
            + figure(show.total_area([f"gaps.{i}.area_filled" for i in members]))
            + cell(", ".join(at) or "no feature")
            + cell(note)
        )
    gaps = table(
        "Gaps of the scan and what was done; filled facets are in no fit and in no figure above",
        ["gaps", "how many", "taken for", "done", f"#filled {unit}", "at", "how"],
        rows,
    )
    filled, measured, removed = (show.area(f"audit.area_{what}") for what in ("filled", "measured", "removed"))
    said = (
        f"<p>{filled} {unit} were filled, beside {measured} {unit} that were measured; {removed} {unit} of the scan "
        "were removed. In the pictures filled areas are light grey and cross-hatched.</p>"
    )
    gaps = gaps or "<p>No gap was found: nothing was invented.</p>"
    asked = _asked(data, pictures.closings)
    return _joined([said, gaps, _each_gap(show), asked, _proposed(show, pictures.proposals)])


def _each_gap(show: Figures) -> str:
    data, unit = show.data, show.words.area_unit
    rows = [
        cell(gap.id, "id")
        + cell(gap.kind)
        + cell(gap.done)
        + figure(show.length(f"gaps.{i}.length", 0.5))
        + figure(show.area(f"gaps.{i}.area_filled"))
        + cell(", ".join(named(data, f) for f in gap.features) or "no feature")
        for i, gap in enumerate(data.gaps)
    ]
    head = ["gap", "taken for", "done", f"#rim {show.words.unit}", f"#filled {unit}", "at"]
    return folded("Each gap by itself", table("Each gap and its rim", head, rows))


def _asked(data: DatumFile, closeups: Sequence[str]) -> str:
    """Gaps whose closing is proposed: why, a close-up, and the lines that have it closed."""
    parts = []
    for number, gap in enumerate(g for g in data.gaps if g.proposed):
        parts.append(f"<p>{safe(gap.id)}: {safe(gap.proposed)}</p>")
        if number < len(closeups) and closeups[number]:
            parts.append(
                f'<figure><img src="{closeups[number]}" alt="Close-up: what is round {safe(gap.id)}, marked by colour '
                f'and lines"><figcaption>{safe(gap.id)}: what is round it, marked</figcaption></figure>'
            )
        parts.append(f"<pre>{safe(closing_text(gap.id))}</pre>")
    if not parts:
        return ""
    head = (
        "<h3>Proposed for closing</h3><p>These gaps are open still. A real opening stays so; if one is a gap of "
        "the scan, paste its lines into the job file and run again.</p>"
    )
    return head + "".join(parts)


def _to_gauge(show: Figures) -> list[str]:
    """What to gauge on the part first, a line each in HTML."""
    data = show.data
    failed = [named(data, check.feature) for check in data.calipers if check.agrees is False]
    lines = [f"{safe(who)}: find out why it disagrees with the scan." for who in failed]
    for i, size in enumerate(data.to_measure):
        who = safe(" to ".join(named(data, ident) for ident in size.features))
        sign = DIAMETER if size.what == "diameter" else ""
        told = show.length(f"to_measure.{i}.size", size.size_uncertainty)
        lines.append(f'{who}, <span class="nb">{sign}{told}</span>: {prose(size.why)}.')
    weak = [f.id for f in data.features if f.confidence != "good"]
    lines += [f"Of low confidence: {safe(', '.join(weak))}."] if weak else []
    blind = [gap.id for gap in data.gaps if gap.kind == "blind" and gap.done != "closed"]
    lines += [f"Depths of {len(blind)} holes whose ends were not seen."] if blind else []
    return lines


def _by_hand(show: Figures) -> str:
    data = show.data
    todo = []
    weak = []
    partial = []
    for i, f in enumerate(data.features):
        who = named(data, f.id)
        if f.confidence != "good":
            weak.append(f"{safe(who)} ({prose('; '.join(f.reasons)) or 'no reason given'})")
        elif kind_of(f).cylindrical and f.extent.arc is not None and f.extent.arc < PARTIAL_ARC:
            partial.append(f"{safe(who)} ({show.number(f'features.{i}.extent.arc')}°)")
    if weak:
        todo.append(f"Low confidence, gauge them where they matter: {'; '.join(weak)}.")
    if partial:
        todo.append(f"So little of the circle was seen that radius and place hang together: {', '.join(partial)}.")
    closed = [gap for gap in data.gaps if gap.done == "closed" and gap.features]
    for gap in closed:
        at = ", ".join(named(data, f) for f in gap.features)
        todo.append(f"{safe(gap.id)} was filled at {safe(at)}: look at the metal there.")
    blind = [gap.id for gap in data.gaps if gap.kind == "blind" and gap.done != "closed"]
    if blind:
        todo.append(f"The depth of holes whose ends were not seen: {safe(', '.join(blind))}.")
    nothing = "<p>Nothing stands out; the sizes that your fits hang on still want a gauge.</p>"
    parts = [_to_measure(show), bullets(todo) or ("" if data.to_measure else nothing), _calipers(show)]
    return _joined(parts)


def _to_measure(show: Figures) -> str:
    """Sizes that something hangs on, tables to fill in by the machine, and the lines for the job file."""
    data, unit = show.data, show.words.unit
    if not data.to_measure:
        return ""
    rows, sheets = [], []
    for i, size in enumerate(data.to_measure):
        who = " to ".join(named(data, ident) for ident in size.features)
        rows.append(
            cell(f"D of {who}" if size.what == "diameter" else who)
            + figure(show.both(f"to_measure.{i}.size", size.size_uncertainty))
            + figure(show.percent(f"to_measure.{i}.open"))
            + cell(size.why)
            + cell(size.how)
        )
        sheets.append(
            table(
                f"{who}, {size.instrument}, {unit}",
                ["where", *size.columns],
                [cell(row) + "<td></td>" * len(size.columns) for row in size.rows],
            )
        )
    note = (
        "What gains most first. Open: 95 % either way of the scan's size as a share of the usual tolerance; above "
        "100 % the scan can't tell whether it is kept."
    )
    head = ["size", f"#in the scan {unit}", "#open %", "what hangs on it", "how"]
    said = "" if unit == "mm" else ', as value = "2.4411 in"'
    lines = "\n".join(size.job_lines() for size in data.to_measure).strip()
    return (
        table("Sizes that something hangs on", head, rows, note)
        + folded("Tables to fill in by the machine", "".join(sheets))
        + folded(
            "Lines for the job file",
            f"<p>Put in value and uncertainty (standard, k = 1){said}; the next run then says whether the scan agrees."
            f"</p><pre>{safe(lines)}</pre>",
        )
    )


def _calipers(show: Figures) -> str:
    rows = []
    for i, check in enumerate(show.data.calipers):
        told = {
            True: '<td class="yes">agrees</td>',
            False: '<td class="no">DISAGREES</td>',
            None: cell("can't be told"),
        }[check.agrees]
        at = f"calipers.{i}"
        rows.append(
            cell(named(show.data, check.feature) + (f" to {named(show.data, check.other)}" if check.other else ""))
            + cell(check.what)
            + cell(check.instrument or NONE)
            + figure(show.length(f"{at}.measured", check.measured_uncertainty))
            + figure(show.small(f"{at}.measured_uncertainty"))
            + figure(show.length(f"{at}.scanned", check.scanned_uncertainty))
            + figure(show.small(f"{at}.scanned_uncertainty"))
            + told
            + cell(check.note)
        )
    unit, small = show.words.unit, show.words.small_unit
    head = [
        "feature",
        "what",
        "with",
        f"#measured {unit}",
        f"#± {small}",
        f"#scanned {unit}",
        f"#± {small}",
        "verdict",
        "note",
    ]
    return table("Sizes measured on the part against the scan", head, rows)


def _cautions(data: DatumFile) -> str:
    """What holds for every run, then all cautions of this one; those of one kind are folded together."""
    items = []
    for texts in alike(data):
        full = texts if len(texts) <= IN_FULL + 1 else texts[:IN_FULL]
        items += [prose(text) for text in full]
        if len(texts) > len(full):
            rest = texts[len(full) :]
            items.append(folded(f"{len(rest)} more of this kind", bullets(map(prose, rest))))
    own = f"<h3>Cautions of this run</h3>{bullets(items)}" if items else ""
    return f"{safety_list(3)}{own}"


def _maps(show: Figures, pictures: Pictures) -> str:
    if not pictures.maps:
        return ""
    edge = f"{show.words.small(pictures.map_limit)} {show.words.small_unit}"
    scale = (
        f'<p class="scale">inside by {edge} <img src="{pictures.ramp}" alt="{SCALE_IN_WORDS}"> outside by {edge}</p>'
    )
    more = f" {pictures.more_maps} smaller ones stand in pictures/ beside this file." if pictures.more_maps else ""
    said = (
        "<p>Unrolled: mean distance of the measured vertices from the fitted surface, positive away from the material. "
        f"Striped: not measured.{more}</p>"
    )
    figures = "".join(
        f'<figure><img src="{url}" alt="Residual map of {safe(named(show.data, ident))}"><figcaption>'
        f"<b>{safe(named(show.data, ident))}</b>: {safe(sides)}</figcaption></figure>"
        for ident, (url, sides) in pictures.maps.items()
    )
    return folded(f"{len(pictures.maps)} maps", _joined([said, scale, f'<div class="maps">{figures}</div>']))


def _again(show: Figures, job: str) -> str:
    source, made = show.data.source, show.data.made_by
    said = (
        f"<p>{safe(made.program)} {safe(made.version)}, on {safe(source.file)} with SHA-256 "
        f"<code>{safe(source.sha256)}</code>; one unit of the file was taken as {source.unit_factor:g} mm. "
        f"Libraries: {safe(', '.join(f'{name} {version}' for name, version in made.libraries.items()))}. "
        "The job as it was run:</p>"
    )
    return _joined([said, folded("job.toml, as run", f"<pre>{safe(job)}</pre>")])
