"""The report's HTML, from the datum file's data and the pictures: words and tables, no geometry.

It answers in this order: may I trust this, where are my datums, what was invented, what do I still have to measure by
hand. Every figure comes from the datum file; a cell that shows one carries its place there in `data-at`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.report.words import NONE, Words, safe

Data = dict[str, Any]

CAUTIONS = (
    "Local codes and licensed practice come first: a rotating machine or a pressure part that is cut, bored or coupled "
    "anew needs calculation, guards and inspection by those licensed for it.",
    "These figures are no substitute for measuring the part. Check the sizes that matter on the metal before you cut.",
    "Clamp the work, guard the cutter, shield the eyes; castings hide hard spots, blow holes and thin walls. Matting "
    "sprays and solvents need air and a mask.",
    "Filled areas were never seen by the scanner.",
)

# What a plug or a blind arc leaves open: under this arc a radius and a place can't be told apart well.
PARTIAL_ARC = 120.0


@dataclass(frozen=True)
class Pictures:
    """Images as data URLs: views by name, residual maps by feature id with their captions, keys by look, the ramp."""

    views: dict[str, str]
    maps: dict[str, tuple[str, str]]
    keys: dict[str, str]
    ramp: str
    histogram: str
    limit: float


def page(data: Data, pictures: Pictures, scene: Data, style: str, script: str, job: str, unit: str) -> str:
    """The whole page. scene: what the 3D view draws; job: the job file's text as run."""
    words = Words(unit)
    title = data["title"] or data["source"]["file"]
    body = [
        _top(data, pictures, words, title),
        _trust(data, pictures, words),
        _datums(data, pictures, words),
        _invented(data, words),
        _by_hand(data, words),
        _maps(data, pictures, words),
        _again(data, job),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">\n'
        f"<title>{safe(title)}: datums and audit</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + "\n</main>\n"
        + _embedded("datums", data)
        + _embedded("scene", scene)
        + f"<script>\n{script}</script>\n</body>\n</html>\n"
    )


def _embedded(name: str, value: Data) -> str:
    # "<" in JSON text could end the script element from inside a name.
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    return f'<script type="application/json" id="{name}">{text}</script>\n'


def _at(place: str, text: str, numeric: bool = True) -> str:
    return f'<td{" class=n" if numeric else ""} data-at="{safe(place)}">{safe(text)}</td>'


def _cell(text: object, numeric: bool = False) -> str:
    return f"<td{' class=n' if numeric else ''}>{safe(text)}</td>"


def _table(caption: str, head: Sequence[str], rows: Iterable[str]) -> str:
    """head: names of the columns; one that starts with "#" is numeric. rows: the cells of each row, or a whole <tr>."""
    cells = "".join(
        f'<th scope="col"{" class=n" if name.startswith("#") else ""}>{safe(name.lstrip("#"))}</th>' for name in head
    )
    body = "\n".join(row if row.startswith("<tr") else f"<tr>{row}</tr>" for row in rows)
    if not body:
        return ""
    return (
        f'<div class="wide"><table><caption>{safe(caption)}</caption>\n<thead><tr>{cells}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody></table></div>"
    )


def _top(data: Data, pictures: Pictures, words: Words, title: str) -> str:
    source, audit = data["source"], data["audit"]
    size = " × ".join(words.length(high - low, 0.1) for low, high in zip(*source["bounds"], strict=True))
    share = audit["area_filled"] / max(audit["area_filled"] + audit["area_measured"], 1e-9)
    facts = {
        "Facets, before and after": f"{audit['facets_before']:,} to {audit['facets_after']:,}",
        f"Size of the scan, {words.unit}": size,
        "Noise of the scan (standard deviation)": f"{words.small(source['noise_sigma'])} {words.small_unit}",
        "Mean edge of the scan": f"{words.length(source['mean_edge'], 0.01)} {words.unit}",
        "Filled, never measured": f"{words.area(audit['area_filled'])} ({100 * share:.1f} % of the surface)",
        "Features": f"{len(data['features'])}",
    }
    kind, strong, rest = _verdict(data)
    picture = next(iter(pictures.views.items()), None)
    corner = pictures.views.get("from a corner")
    shown = corner or (picture[1] if picture else None)
    image = (
        f'<figure class="chart"><img src="{shown}" alt="The light mesh in its datum frame, seen from a corner" style="width:100%"></figure>'
        if shown
        else ""
    )
    return (
        f"<header><h1>{safe(title)}</h1><p class=lead>Datums, light mesh and audit of {safe(source['file'])}, "
        f"made by {safe(data['made_by']['program'])} {safe(data['made_by']['version'])}. "
        f"Coordinates are those of the part frame; uncertainties are standard ones (k = 1), double them for about 95 %.</p></header>\n"
        f'<div class="verdict {kind}" role="status"><strong>{safe(strong)}</strong>{safe(rest)}</div>\n'
        '<dl class="facts">'
        + "".join(f"<div><dt>{safe(k)}</dt><dd>{safe(v)}</dd></div>" for k, v in facts.items())
        + "</dl>\n"
        + image
        + '<aside class="cautions" aria-label="Cautions"><ul>'
        + "".join(f"<li>{safe(text)}</li>" for text in CAUTIONS)
        + "</ul></aside>"
    )


def _verdict(data: Data) -> tuple[str, str, str]:
    """Kind, the verdict, and what to make of it."""
    audit = data["audit"]
    failed = [check["feature"] for check in data["calipers"] if check["agrees"] is False]
    broken = [line for line in audit["budget"] if not line["held"]]
    if failed:
        return (
            "broken",
            "The scan and the part disagree.",
            f"Sizes measured on the part don't fit the scan at {', '.join(failed)}: don't build on this before you know why.",
        )
    if broken:
        names = "; ".join(f"{line['what']} {line['where']}".strip() for line in broken)
        return "broken", "Not within budget.", f"Don't build on the light mesh before you have looked at: {names}."
    if audit["budget"]:
        return (
            "held",
            "Within budget.",
            "Every promise of the job held on the measured surface. What was filled or not seen is outside of any promise.",
        )
    return (
        "open",
        "No budget was set.",
        "The figures below say what lightening cost; whether that is good enough for your job is yours to judge.",
    )


def _trust(data: Data, pictures: Pictures, words: Words) -> str:
    audit = data["audit"]
    parts = ['<section aria-labelledby="trust"><h2 id="trust">May I trust this?</h2>']
    parts.append(_budget(audit, words))
    rows = []
    for key, name in (("scan_to_light", "scan to light mesh"), ("light_to_scan", "light mesh to scan")):
        figures = audit[key]
        cells = "".join(_at(f"audit.{key}.{what}", words.small(figures[what])) for what in ("rms", "p95", "p99", "max"))
        rows.append(_cell(name) + cells)
    unit = words.small_unit
    parts.append(
        _table(
            f"Distances between scan and light mesh, {unit}; filled facets left out. The scan's own noise is in them.",
            ["way", "#rms", "#95 %", "#99 %", "#largest"],
            rows,
        )
    )
    if audit.get("lightening_rms") is not None:
        parts.append(
            f'<p>With the scan\'s noise set apart, lightening moved the surface by <span data-at="audit.lightening_rms">{words.small(audit["lightening_rms"])}</span> {unit} (rms).</p>'
        )
    parts.append(f'<figure class="chart">{pictures.histogram}</figure>')
    parts.append(_view(data, pictures, words))
    parts.append("</section>")
    return "\n".join(parts)


def _budget(audit: Data, words: Words) -> str:
    rows = []
    for index, line in enumerate(audit["budget"]):
        small = line["unit"] == "mm"
        value = words.small(line["value"]) if small else words.angle(line["value"], 0.0001)
        limit = words.small(line["limit"]) if small else words.angle(line["limit"], 0.0001)
        unit = words.small_unit if small else line["unit"]
        held = '<td class="yes">held</td>' if line["held"] else '<td class="no">NOT HELD</td>'
        rows.append(
            _cell(line["what"])
            + _at(f"audit.budget.{index}.limit", limit)
            + _at(f"audit.budget.{index}.value", value)
            + _cell(unit)
            + held
            + _cell(line["where"])
        )
    return _table("The promises of the job", ["promise", "#limit", "#measured", "unit", "", "where"], rows)


def _view(data: Data, pictures: Pictures, words: Words) -> str:
    edge = f"{words.small(pictures.limit)} {words.small_unit}"
    keys = "".join(f'<li><img src="{url}" alt="">{safe(name)}</li>' for name, url in pictures.keys.items())
    return f"""<h3 id="view-title">The light mesh in three dimensions</h3>
<fieldset class="paint screen"><legend class="lead">Paint by</legend>
<label><input type="radio" name="paint" value="deviation" checked> deviation from the scan</label>
<label><input type="radio" name="paint" value="kind"> kind of feature</label>
<span class="scale">inside by {safe(edge)} <img src="{pictures.ramp}" alt="colour scale from inside over zero to outside"> outside by {safe(edge)}</span>
</fieldset>
<div id="view3d-box"><canvas id="view3d" tabindex="0" role="img" aria-labelledby="view-title" aria-describedby="view3d-help"></canvas><div id="tip" hidden></div></div>
<p id="view3d-help" class="lead screen">Drag or arrow keys turn, wheel or + and − zoom, Shift and drag moves, 0 goes back. Click a row of the feature table to see it here, or the part to find its row. <span id="view3d-status" role="status">Nothing is selected.</span></p>
<ul class="keys">{keys}</ul>"""


def _datums(data: Data, pictures: Pictures, words: Words) -> str:
    frame = data["frame"]
    parts = ['<section aria-labelledby="datums-title"><h2 id="datums-title">Where are my datums?</h2>']
    rows = [
        _cell(d["letter"]) + _cell(_named(data, d["feature"])) + _cell(", ".join(d["constrains"]) or "nothing more")
        for d in frame["datums"]
    ]
    parts.append(
        _table(
            "Datum reference frame (ISO 5459); t is a shift along, r a turn about an axis of the part frame",
            ["datum", "feature", "takes away"],
            rows,
        )
    )
    if not frame["complete"]:
        parts.append('<p class="no">The frame is incomplete: what no datum fixes was chosen, not measured.</p>')
    parts.append("<ul>" + "".join(f"<li>{safe(reason)}</li>" for reason in frame["reasons"]) + "</ul>")
    spread = frame.get("uncertainty")
    if spread:
        shift = ", ".join(words.small(v) for v in spread["translation"])
        turn = ", ".join(words.angle(v, v) for v in spread["rotation"])
        parts.append(
            f"<p>Standard uncertainty of the frame: {shift} {words.small_unit} along x, y, z; {turn} deg about them.</p>"
        )
    parts.append('<h3>Six views</h3><div class="views">')
    for name, url in pictures.views.items():
        parts.append(
            f'<figure><img src="{url}" alt="The part seen {safe(name)}, kinds of feature by colour and hatch, datum letters"><figcaption>{safe(name)}</figcaption></figure>'
        )
    parts.append("</div>")
    parts.append(_features(data, words))
    parts.append(_patterns(data, words))
    parts.append(_square_up(data, words))
    parts.append(_relations(data, words))
    parts.append(_suggestions(data, words))
    parts.append("</section>")
    return "\n".join(part for part in parts if part)


def _named(data: Data, ident: str) -> str:
    name = next((f["name"] for f in data["features"] if f["id"] == ident), None)
    return f"{ident} ({name})" if name else ident


def _features(data: Data, words: Words) -> str:
    unit, small = words.unit, words.small_unit
    rows = []
    for i, f in enumerate(data["features"]):
        at, spread, place, form = f"features.{i}", f["uncertainty"], f["in_part_frame"], f["form"]
        doubled = None if spread["radius"] is None else 2 * spread["radius"]
        diameter = None if f["radius"] is None else 2 * f["radius"]
        audit = f.get("audit") or {}
        what = f["side"] if f["kind"] == "cylinder" else " ".join(filter(None, [f["kind"], f["side"]]))
        marks = ([] if f["confidence"] == "good" else ["low confidence"]) + ([] if f["machined"] else ["cast"])
        extra = f", half angle {words.angle(f['half_angle'], 0.01)}°" if f["half_angle"] is not None else ""
        name = safe(f["id"]) + (f"<br>{safe(f['name'])}" if f["name"] else "")
        point = ", ".join(words.length(v, spread["position"] or 0.01) for v in place["point"])
        way = NONE if place["direction"] is None else ", ".join(f"{v:z.4f}" for v in place["direction"])
        extent = f["extent"]
        seen = words.area(extent["area"])
        if extent.get("arc") is not None and f["kind"] != "plane":
            seen += f", {extent['arc']:.0f}° of arc"
        rows.append(
            f'<tr data-feature="{i}" tabindex="0" aria-selected="false"><td{"" if not marks else " class=low"}>{name}</td>'
            + _cell(f"{what}{extra}{', ' + ', '.join(marks) if marks else ''}")
            + _at(f"{at}.radius", words.length(diameter, doubled))
            + _at(f"{at}.uncertainty.radius", words.small(doubled))
            + _at(f"{at}.in_part_frame.point", point, False)
            + _at(f"{at}.uncertainty.position", words.small(spread["position"]))
            + _cell(way)
            + _at(f"{at}.uncertainty.direction", words.angle(spread["direction"], spread["direction"]))
            + _at(f"{at}.form.peak_to_valley", words.small(form["peak_to_valley"]))
            + _cell(seen)
            + _at(f"{at}.audit.shift", words.small(audit.get("shift")))
            + _at(f"{at}.audit.radius_change", words.small(audit.get("radius_change")))
            + "</tr>"
        )
    head = [
        "feature",
        "what",
        f"#D {unit}",
        f"#± {small}",
        f"x, y, z {unit}",
        f"#± {small}",
        "direction",
        "#± deg",
        f"#form {small}",
        "seen",
        f"#light: shift {small}",
        f"#light: R {small}",
    ]
    return "<h3>Features</h3>" + _table(
        f"Part coordinates. D a diameter (of a cone: at x, y, z; of a torus: of its tube). {NONE} none that applies, or none that can be vouched for.",
        head,
        rows,
    )


def _patterns(data: Data, words: Words) -> str:
    rows = []
    for i, p in enumerate(data["patterns"]):
        detail = {"pitch_circle": f"{p['count']} holes" + (f", {p['missing']} missing" if p["missing"] else "")}.get(
            p["kind"], p.get("note") or ""
        )
        rows.append(
            _cell(p["kind"].replace("_", " "))
            + _at(f"patterns.{i}.diameter", words.both(p["diameter"], 0.002))
            + _cell(detail)
            + _at(f"patterns.{i}.rms", words.small(p["rms"]))
            + _cell(", ".join(p["members"]))
        )
    return _table("Patterns", ["pattern", "#diameter", "", f"#rms {words.small_unit}", "features"], rows)


def _square_up(data: Data, words: Words) -> str:
    rows = []
    for i, s in enumerate(data.get("square_up", [])):
        rows.append(
            _cell(_named(data, s["feature"])) + _cell(s["kind"]) + _cell(s["datum"])
            + _at(f"square_up.{i}.angle", words.angle(s["angle"], s["angle_uncertainty"])) + _at(f"square_up.{i}.angle_uncertainty", words.angle(s["angle_uncertainty"], s["angle_uncertainty"]))
            + _at(f"square_up.{i}.over", words.small(s["over"])) + _at(f"square_up.{i}.length", words.length(s["length"], 1.0))
            + _at(f"square_up.{i}.offset", words.small(s["offset"]))
            + _cell("yes" if s["significant"] else "no")
        )  # fmt: skip
    head = [
        "feature",
        "should be",
        "to datum",
        "#off deg",
        "#± deg",
        f"#off {words.small_unit}",
        f"#over {words.unit}",
        f"#offset {words.small_unit}",
        "more than the scan's doubt",
    ]
    return _table("How far from square, parallel and coaxial", head, rows)


def _relations(data: Data, words: Words) -> str:
    rows = []
    for i, r in enumerate(data["relations"]):
        angular = r["kind"] in ("parallel", "perpendicular", "angle")
        show = (
            (lambda v, u: f"{words.angle(v, u)} deg")
            if angular
            else (lambda v, u: f"{words.length(v, u)} {words.unit}")
        )
        spread = r["uncertainty"]
        rows.append(
            _cell(r["kind"]) + _cell(" and ".join(_named(data, ident) for ident in r["between"]))
            + _at(f"relations.{i}.value", show(r["value"], spread)) + _at(f"relations.{i}.uncertainty", NONE if spread is None else show(spread, spread))
        )  # fmt: skip
    return _table("Relations that the uncertainty supports", ["relation", "between", "#value", "#±"], rows)


def _suggestions(data: Data, words: Words) -> str:
    rows = []
    for i, s in enumerate(data.get("suggestions", [])):
        off = NONE if s["sigmas"] is None else f"{s['sigmas']:.1f}"
        rows.append(
            _cell(_named(data, s["feature"]))
            + _cell(s["what"])
            + _cell(s["name"])
            + _at(f"suggestions.{i}.size", words.both(s["size"], 0.001))
            + _at(f"suggestions.{i}.off", words.small(s["off"]))
            + _cell(off, True)
            + _cell(s["source"])
        )
    return _table(
        "Standard sizes near by: suggestions, never applied",
        ["feature", "what", "name", "#size", f"#off {words.small_unit}", "#off, in uncertainties", "source"],
        rows,
    )


def _invented(data: Data, words: Words) -> str:
    audit = data["audit"]
    rows = []
    for i, gap in enumerate(data["gaps"]):
        rows.append(
            _cell(gap["id"]) + _cell(gap["kind"]) + _cell(gap["done"]) + _at(f"gaps.{i}.length", words.length(gap["length"], 0.1))
            + _at(f"gaps.{i}.area_filled", words.area(gap["area_filled"])) + _cell(", ".join(_named(data, f) for f in gap["features"]) or NONE) + _cell(gap["note"])
        )  # fmt: skip
    table = _table(
        "Gaps of the scan and what was done; filled facets are in no fit and in no figure above",
        ["gap", "taken for", "done", f"#rim {words.unit}", "#filled", "at", "how"],
        rows,
    )
    return (
        '<section aria-labelledby="invented"><h2 id="invented">What was invented?</h2>'
        f"<p>{words.area(audit['area_filled'])} were filled, beside {words.area(audit['area_measured'])} that were measured; "
        f"{words.area(audit.get('area_removed'))} of the scan were taken away. In the pictures filled areas are light grey and cross-hatched.</p>"
        f"{table or '<p>The scan had no gaps: nothing was invented.</p>'}</section>"
    )


def _by_hand(data: Data, words: Words) -> str:
    parts = ['<section aria-labelledby="by-hand"><h2 id="by-hand">What do I still have to measure by hand?</h2>']
    todo = []
    on_frame = {d["feature"] for d in data["frame"]["datums"]}
    for f in data["features"]:
        who = _named(data, f["id"])
        if f["id"] in on_frame and f["radius"] is not None:
            todo.append(
                f"{who}: it is a datum; measure D {words.both(2 * f['radius'], f['uncertainty']['radius'])} with a gauge."
            )
        if f["confidence"] != "good":
            todo.append(f"{who}: low confidence ({'; '.join(f['reasons']) or 'no reason given'}).")
        elif f["kind"] == "cylinder" and f["extent"].get("arc") is not None and f["extent"]["arc"] < PARTIAL_ARC:
            todo.append(
                f"{who}: only {f['extent']['arc']:.0f}° of its circle were seen; its radius and its place hang together."
            )
    for gap in data["gaps"]:
        if gap["done"] == "closed" and len(gap["features"]) > 0:
            todo.append(
                f"{gap['id']}: filled, at {', '.join(_named(data, f) for f in gap['features'])}; look at the metal there."
            )
    parts.append(
        "<ul>" + "".join(f"<li>{safe(text)}</li>" for text in todo) + "</ul>"
        if todo
        else "<p>Nothing stands out; the datums and the sizes that your fits hang on still want a gauge.</p>"
    )
    rows = []
    for i, c in enumerate(data["calipers"]):
        agrees = {
            True: '<td class="yes">agrees</td>',
            False: '<td class="no">DISAGREES</td>',
            None: _cell("can't be told"),
        }[c["agrees"]]
        rows.append(
            _cell(_named(data, c["feature"])) + _at(f"calipers.{i}.measured", words.length(c["measured"], c["measured_uncertainty"])) + _at(f"calipers.{i}.scanned", words.length(c["scanned"], c["scanned_uncertainty"]))
            + _at(f"calipers.{i}.scanned_uncertainty", words.small(c["scanned_uncertainty"])) + agrees + _cell(c["note"])
        )  # fmt: skip
    parts.append(
        _table(
            "Sizes measured on the part against the scan",
            ["feature", f"#measured {words.unit}", f"#scanned {words.unit}", f"#± {words.small_unit}", "", "note"],
            rows,
        )
    )
    if data["cautions"]:
        parts.append(
            "<h3>Cautions of this run</h3><ul>"
            + "".join(f"<li>{safe(text)}</li>" for text in data["cautions"])
            + "</ul>"
        )
    parts.append("</section>")
    return "\n".join(part for part in parts if part)


def _maps(data: Data, pictures: Pictures, words: Words) -> str:
    if not pictures.maps:
        return ""
    parts = ['<section aria-labelledby="maps"><h2 id="maps">How the scan lies on each feature</h2>']
    parts.append(
        f'<p>Unrolled: mean distance of the measured facets from the fitted surface, outwards positive. <span class="scale">−{words.small(pictures.limit)} <img src="{pictures.ramp}" alt="colour scale"> +{words.small(pictures.limit)} {words.small_unit}</span> Striped: not measured.</p><div class="maps">'
    )
    for ident, (url, caption) in pictures.maps.items():
        parts.append(
            f'<figure><img src="{url}" alt="Residual map of {safe(_named(data, ident))}" loading="lazy"><figcaption><b>{safe(_named(data, ident))}</b>: {safe(caption)}</figcaption></figure>'
        )
    parts.append("</div></section>")
    return "\n".join(parts)


def _again(data: Data, job: str) -> str:
    source = data["source"]
    return (
        '<section aria-labelledby="again"><h2 id="again">To run this again</h2>'
        f"<p>{safe(data['made_by']['program'])} {safe(data['made_by']['version'])}, on {safe(source['file'])} with SHA-256 {safe(source['sha256'])}; "
        f"one unit of the file was taken as {source['unit_factor']:g} mm. The job as it was run:</p><pre>{safe(job)}</pre></section>"
    )
