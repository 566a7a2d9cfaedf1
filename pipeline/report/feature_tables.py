"""The report's tables of features and of what holds between them."""

from __future__ import annotations

import numpy as np

from pipeline.features.naming import BY_DEFINITION, PATTERNS, RELATIONS, form_in_words, term_of
from pipeline.formats.datum_file import FeatureRecord, PatternRecord, near_sizes
from pipeline.report.charts import misfit_svg
from pipeline.report.figures import Figures
from pipeline.report.tables import cell, figure, folded, named, table
from pipeline.report.words import NONE, safe
from pipeline.surfaces import kind_of

_ANGULAR = ("parallel", "perpendicular", "angle")


def feature_tables(show: Figures) -> str:
    """Two tables: where each feature is, and how well it was seen and kept."""
    unit, small = show.words.unit, show.words.small_unit
    features = show.data.features
    place_head = [
        "feature", "what", f"#D {unit}", f"#± {small}", f"#x {unit}", "#y", "#z", f"#± {small}", "#direction", "#± deg",
    ]  # fmt: skip
    places = table(
        "Features: size and place",
        place_head,
        [_row(i, f, _place(show, i, f), f' id="feature-{i}"') for i, f in enumerate(features)],
        f"Part coordinates; ± against the part frame. D a diameter (of a cone: at x, y, z; of a torus: of its tube). "
        f"{NONE} none that applies, or none that can be vouched for; “{BY_DEFINITION}”: none by definition, since the "
        "frame is set on it.",
    )
    seen = table(
        "Features: form, what was seen of them, and what lightening did to them",
        [
            "feature", "form", f"#scatter {small}",
            f"#seen {show.words.area_unit}", "#arc °", f"#length {unit}",
            f"#shift {small}", "#tilt deg", f"#radius {small}", f"#facets' {small}", f"#worst {small}",
            "after lightening",
        ],
        [_row(i, f, _seen(show, i, f)) for i, f in enumerate(features)],
        "Form: what of it is told from the scan's noise, at 95 % of all features together; of means over a seventh of "
        "the face. Scatter: of the scan about the fit, rms. Shift, tilt, radius: fit on the light mesh's "
        "vertices less fit on the scan; facets': the radius of a fit on the light facets less that on the scan, for "
        "chords lie inside a curve; worst: the largest distance of its measured surface from the light mesh, scan "
        "noise removed.",
    )  # fmt: skip
    return folded("Each feature: size and place", places) + folded("Each feature: form, seen, lightening", seen)


def _row(index: int, feature: FeatureRecord, cells: str, anchor: str = "") -> str:
    name = f"<br><small>{safe(feature.name)}</small>" if feature.name else ""
    low = "" if feature.confidence == "good" else " low"
    return (
        f'<tr{anchor} data-feature="{index}"><th scope="row" class="id{low}">{safe(feature.id)}{name}</th>{cells}</tr>'
    )


def _place(show: Figures, index: int, feature: FeatureRecord) -> str:
    at, spread = f"features.{index}", feature.uncertainty
    around = feature.in_part_frame.uncertainty
    off, turned = (None, None) if around is None else (around.position, around.direction)
    doubled = None if spread.radius is None else 2 * spread.radius
    # A datum lies in its own frame without doubt: its own uncertainty tells the digits. Of what is hardly known, and
    # not known how well, no part of a millimetre is shown.
    vague = None if feature.confidence == "good" else 5.0
    place = max(off or 0.0, spread.position or 0.0) or vague or 0.05
    way_known = max(turned or 0.0, spread.direction or 0.0) or vague
    size = doubled or vague
    said = [safe(term_of(feature))]
    if feature.half_angle is not None:
        said.append(f"half angle {show.angle(f'{at}.half_angle', 0.05)}°")
    if feature.major_radius is not None:
        of_what = "centre circle" if kind_of(feature).tubular else "long axis"
        said.append(f"{of_what} D {show.length(f'{at}.major_radius', size, 2.0)}")
    if feature.confidence != "good":
        said.append("low confidence")
    if not feature.machined:
        said.append("cast")
    point = "".join(figure(show.length(f"{at}.in_part_frame.point.{a}", place)) for a in range(3))
    way = NONE
    if feature.in_part_frame.direction is not None:
        parts = (show.part(f"{at}.in_part_frame.direction.{a}", way_known) for a in range(3))
        way = ", ".join(parts)
    return (
        f"<td>{', '.join(said)}</td>"
        + figure(show.length(f"{at}.radius", size, 2.0))
        + figure(show.small(f"{at}.uncertainty.radius", 2.0))
        + point
        + figure(
            BY_DEFINITION
            if around is not None and around.place_defines
            else show.small(f"{at}.in_part_frame.uncertainty.position")
        )
        + figure(way)
        + figure(
            BY_DEFINITION
            if around is not None and around.direction_defines
            else show.angle(f"{at}.in_part_frame.uncertainty.direction", way_known)
        )
    )


def _seen(show: Figures, index: int, feature: FeatureRecord) -> str:
    at, audit = f"features.{index}", feature.audit
    told = ("not audited", "") if audit is None else (audit.verdict or "not audited", audit.note)
    return (
        cell(form_in_words(feature.form, show.words.unit))
        + figure(show.small(f"{at}.form.rms"))
        + figure(show.area(f"{at}.extent.area"))
        + figure(NONE if kind_of(feature).flat else show.number(f"{at}.extent.arc"))
        + figure(show.length(f"{at}.extent.length", 0.5))
        + figure(show.small(f"{at}.audit.shift"))
        + figure(show.angle(f"{at}.audit.tilt", 0.0005))
        + figure(show.small(f"{at}.audit.radius_change"))
        + figure(show.small(f"{at}.audit.on_facets.radius_change"))
        + figure(show.small(f"{at}.audit.worst"))
        + cell("; ".join(filter(None, told)))
    )


def relation_tables(show: Figures) -> str:
    """Patterns, squareness, relations and standard sizes, those of them that there are."""
    data = show.data
    return (
        _patterns(show)
        + folded(f"{len(data.square_up)} deviations from the datums", _square_up(show))
        + folded(f"{len(data.relations)} relations", _relations(show))
        + folded(f"Standard sizes near {len({s.feature for s in data.suggestions})} features", _suggestions(show))
    )


def _patterns(show: Figures) -> str:
    rows = []
    for i, p in enumerate(show.data.patterns):
        count = show.number(f"patterns.{i}.count")
        missing = f", {show.number(f'patterns.{i}.missing')} missing" if p.missing else ""
        rows.append(
            cell(PATTERNS.get(p.kind, p.kind), "id")
            + figure(_pattern_size(show, i, p))
            + figure(show.small(f"patterns.{i}.size_uncertainty"))
            + figure(count + missing)
            + figure(show.small(f"patterns.{i}.rms"))
            + cell(", ".join(named(show.data, member) for member in p.members))
            + cell(p.note or "")
        )
    small = show.words.small_unit
    size = f"#diameter or sides {show.words.unit}"
    head = ["pattern", size, f"#± {small}", "#holes", f"#rms {small}", "features", "note"]
    return table("Patterns", head, rows)


def _pattern_size(show: Figures, index: int, pattern: PatternRecord) -> str:
    spread = pattern.size_uncertainty or pattern.rms
    if pattern.size is not None:
        return " × ".join(show.length(f"patterns.{index}.size.{side}", spread) for side in range(2))
    return show.both(f"patterns.{index}.diameter", spread)


def place_table(show: Figures) -> str:
    """Points of the job, and what was taken for each."""
    rows = [
        cell(p.setting, "id")
        + "".join(figure(show.length(f"places.{i}.in_part_frame.point.{axis}")) for axis in range(3))
        + cell(named(show.data, p.feature) if p.feature else "the point itself")
        + figure(show.length(f"places.{i}.distance"))
        for i, p in enumerate(show.data.places or ())
    ]
    unit = show.words.unit
    head = ["in the job", f"#x {unit}", f"#y {unit}", f"#z {unit}", "taken", f"#off {unit}"]
    note = "Part coordinates of this run. Off: of the point from what was taken, its surface or axis."
    return table("Points of the job, and what was taken for them", head, rows, note)


def _square_up(show: Figures) -> str:
    rows = []
    for i, s in enumerate(show.data.square_up):
        at, spread = f"square_up.{i}", s.angle_uncertainty
        rows.append(
            cell(named(show.data, s.feature))
            + cell(RELATIONS[s.kind])
            + cell(s.datum)
            + figure(show.angle(f"{at}.angle", spread))
            + figure(show.angle(f"{at}.angle_uncertainty", spread))
            + figure(show.angle(f"{at}.within", spread))
            + figure(show.small(f"{at}.over"))
            + figure(show.length(f"{at}.length", 0.5))
            + figure(show.small(f"{at}.offset"))
            + figure(show.small(f"{at}.offset_uncertainty"))
            + (cell("yes", "out") if s.significant else cell(NONE if s.angle_uncertainty is None else "no"))
        )
    unit, small = show.words.unit, show.words.small_unit
    head = [
        "feature", "deviation", "to datum", "#off deg", "#± deg", "#within deg", f"#off {small}", f"#over {unit}",
        f"#axes apart {small}", f"#± {small}", "stands out",
    ]  # fmt: skip
    return table("How far from perpendicular, parallel and coaxial to the datums", head, rows, _judged(show))


def _judged(show: Figures) -> str:
    note = (
        "Within: the true angle, at 95 %; so much could be there without being seen. "
        "Stands out: more than the scan's own doubt explains"
    )
    tests = show.data.tests
    if tests is None:
        return f"{note}."
    level = f"{100 * (1 - tests.level):.0f} %"
    return (
        f"{note}, at {level} for all {tests.count} deviations that are looked at here and among the relations together "
        f"({tests.correction})."
    )


def _relations(show: Figures) -> str:
    rows = []
    for i, r in enumerate(show.data.relations):
        at, spread = f"relations.{i}", r.uncertainty
        if r.kind in _ANGULAR:
            value, doubt, unit = show.angle(f"{at}.value", spread), show.angle(f"{at}.uncertainty", spread), "deg"
        else:
            value, doubt = show.length(f"{at}.value", spread), show.length(f"{at}.uncertainty", spread)
            unit = show.words.unit
        between = " and ".join(named(show.data, ident) for ident in r.between)
        over = NONE
        if r.over is not None:
            over = f"{show.length(f'{at}.over.0', spread)} to {show.length(f'{at}.over.1', spread)}"
        rows.append(
            cell(RELATIONS.get(r.kind, r.kind))
            + cell(between)
            + figure(value)
            + figure(doubt)
            + cell(unit)
            + figure(over)
        )
    note = (
        "Parallelism, perpendicularity: the angle that is off; coaxiality, distance: at the middle of the second "
        "feature; axes that meet: how far they pass each other. Where the two are not parallel, a distance is "
        "another one elsewhere: the last column has the least and the largest over what was seen of the second."
    )
    head = ["relation", "between", "#value", "#±", "unit", "#from, to"]
    return table("Relations that the uncertainty supports", head, rows, note)


def _suggestions(show: Figures) -> str:
    """One row a size: the names that tables give it stand together."""
    made = []
    for row in near_sizes(show.data):
        at = f"suggestions.{row.first}"
        made.append(
            cell(named(show.data, row.feature))
            + cell(row.what)
            + figure(show.both(f"{at}.size", 0.005))
            + figure(show.small(f"{at}.off"))
            + figure(show.number(f"{at}.sigmas", 1))
            + cell(row.told)
            + cell(row.note)
            + cell("; ".join(row.sources))
        )
    head = [
        "feature", "what", f"#size {show.words.unit}", f"#off {show.words.small_unit}", "#off in ±", "names", "note",
        "source",
    ]  # fmt: skip
    note = (
        "Off: measured less standard; in ±: in standard uncertainties of measuring and of making together. Names left "
        "out of a row stand in datums.json."
    )
    return table("Standard sizes near by: suggestions, never applied", head, made, note)


def solid_section(show: Figures) -> str:
    """What part.step holds, face by face sort, and what there is to know before it is cut in CAD."""
    data, unit = show.data, show.words.unit
    made = data.solid
    assert made is not None
    state = "One closed solid" if made.closed else "An open shell, no solid"
    checked = "valid by the CAD kernel's own checks" if made.valid else "NOT valid by the CAD kernel's own checks"
    said = (
        f"<p>{state} in part coordinates, {checked}: {show.number('solid.faces')} faces, {show.number('solid.edges')} "
        f"edges, the widest edge within {show.length('solid.largest_tolerance', 1e-6)} {unit} of its faces. Recovered "
        "faces are those of the tables above; the skin between them is coarse, within "
        f"{show.length('solid.skin_held')} {unit} of the light mesh ({show.length('solid.skin')} asked). Edges between "
        f"features were made sharp, by at most {show.length('solid.edge_depth', 0.05)} {unit}."
    )
    if made.edges_cut_off is not None:
        said += (
            " At edges within the skin, of which the scan may have cut off "
            f"{show.length('solid.edges_cut_off')} {unit}, it lies "
            f"within the light mesh by at most {show.length('solid.skin_held_at_edges')} {unit}."
        )
    said += "</p>"
    rows = [
        cell(share.kind)
        + figure(show.number(f"solid.by_kind.{i}.faces"))
        + figure(show.area(f"solid.by_kind.{i}.area"))
        for i, share in enumerate(made.by_kind)
    ]
    faces = table("Faces of the solid", ["faces", "#how many", f"#area {show.words.area_unit}"], rows)
    fallen = "".join(f"<li>{safe(named(data, f.feature))}: {safe(f.why)}</li>" for f in made.as_facets)
    left = f"<p>As facets, wholly or in part, and not as exact faces:</p><ul>{fallen}</ul>" if fallen else ""
    warned = (
        "<p>Faces named filled and never seen are invented; cut nothing by them. Don't take sizes from the skin.</p>"
    )
    return "\n".join(part for part in (said, faces, left, warned) if part)


def set_up_section(show: Figures) -> str:
    """Where each set-up lies, what that hangs on, and how far what both saw is apart; nothing of one scan."""
    set_ups = show.data.set_ups or ()
    parts = []
    unit, small = show.words.unit, show.words.small_unit
    for i, one in enumerate(set_ups):
        at = f"set_ups.{i}"
        onto = show.data.source.file if one.onto == 1 else set_ups[one.onto - 2].source.file
        scale = ""
        if one.scale is not None and one.scale_uncertainty is not None:
            scale = (
                f" It is larger by {show.number(f'{at}.scale', 3)} ± {show.number(f'{at}.scale_uncertainty', 3)} mm "
                "a metre than that (negative: smaller; standard uncertainty)."
            )
        bend = ""
        if one.bend is not None:
            within = "stands out of noise" if one.bend.stands_out else "noise explains"
            bend = (
                f" Over {show.length(f'{at}.bend.length', 1.0)} {unit} it is bent by {show.small(f'{at}.bend.bow')} ± "
                f"{show.small(f'{at}.bend.bow_uncertainty')} {small} and twisted by "
                f"{show.angle(f'{at}.bend.twist', one.bend.twist_uncertainty)} ± "
                f"{show.angle(f'{at}.bend.twist_uncertainty', one.bend.twist_uncertainty)} degrees against that "
                f"(standard uncertainties), which {within}."
            )
        parts.append(
            f"<h3>{i + 2}: {safe(one.source.file)}</h3><p>Laid on {safe(onto)}; "
            f"{show.percent(f'{at}.overlap')} % of it show what that shows too. The part's farthest corner is known "
            f"within {show.length(f'{at}.corner_within', one.corner_within)} {unit} by that, at 95 %.{scale}{bend}</p>"
        )
        rows = [
            cell(named(show.data, s.feature))
            + figure(show.small(f"{at}.shared.{k}.off"))
            + figure(show.small(f"{at}.shared.{k}.off_within"))
            + figure(show.angle(f"{at}.shared.{k}.tilt", s.tilt_within))
            + figure(show.angle(f"{at}.shared.{k}.tilt_within", s.tilt_within))
            + cell("stands out" if s.apart else "within noise")
            for k, s in enumerate(one.shared)
        ]
        head = ["feature", f"#off {small}", f"#noise, 95 % {small}", "#tilt °", "#noise, 95 % °", "verdict"]
        parts.append(table("Features that both show, as the two scans have them", head, rows))
        if one.balls:
            rows = [
                "".join(figure(show.length(f"{at}.balls.{k}.place.{axis}", 0.1)) for axis in range(3))
                + figure(show.length(f"{at}.balls.{k}.diameter_there", b.off_within))
                + figure(show.length(f"{at}.balls.{k}.diameter", b.off_within))
                + figure(show.small(f"{at}.balls.{k}.off"))
                + figure(show.small(f"{at}.balls.{k}.off_within"))
                + cell("stands out" if b.apart else "within noise")
                for k, b in enumerate(one.balls)
            ]
            head = [f"#x {unit}", "#y", "#z", "#diameter there", "#here", f"#off {small}", f"#noise, 95 % {small}"]
            parts.append(table("Reference balls that both show, in scan coordinates", [*head, "verdict"], rows))
        places = np.array([cell.place for cell in one.misfits]).reshape(-1, 3)
        drawn = misfit_svg(places, np.array([cell.off for cell in one.misfits]), show.words)
        parts.append(f'<figure class="chart">{drawn}</figure>' if drawn else "")
    return "\n".join(part for part in parts if part)
