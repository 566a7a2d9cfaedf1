"""summary.md: what a run came to, on a page or two, for people."""

from __future__ import annotations

from pipeline.features.naming import (
    BY_DEFINITION,
    DATUM_SYSTEM,
    NOISE_REMOVED,
    PATTERNS,
    RELATIONS,
    form_in_words,
    freedoms_in_words,
    term_of,
)
from pipeline.formats.datum_file import DatumFile, ProposalRecord, lengths_in, near_sizes
from pipeline.formats.tables.safety import SAFETY, holds
from pipeline.geometry import MM_PER_INCH
from pipeline.job import closing_text, zone_text
from pipeline.surfaces import kind_of

_MAIN_FEATURES = 12
_MOST_REFUSED = 40


def summary_md(data: DatumFile, files: tuple[str, ...], unit: str = "mm") -> str:
    """The summary of a datum file as Markdown; `files` are the names of all outputs. unit: "mm" | "in", of all lengths.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> summary_md(build(outcome()), ("datums.json",)).splitlines()[:3]
    ['# Test plate', '', 'Within budget.']
    """
    show, data = _Lengths(unit), lengths_in(data, unit)
    parts = [
        [f"# {data.title or data.source.file}", "", _verdict(data)],
        ["", "## Before you use this", "", *(safety_line(*line) for line in SAFETY)],
        _cautions(data),
        _scan(data, show),
        _frame(data, show),
        _features(data, show),
        _refused(data, show, files),
        _patterns(data, show),
        _square_up(data, show),
        _suggestions(data, show),
        _places(data, show),
        _by_hand(data, show),
        _audit(data, show),
        _gaps(data, show),
        _not_the_part(data, show),
        ["", "## Files", "", *_listed(files, unit)],
    ]
    return "\n".join(line for part in parts for line in part) + "\n"


def safety_line(about: str, text: str) -> str:
    """An item of `SAFETY` in Markdown."""
    return f"- **{about}{'' if text[0].islower() else '.'}** {text}"


class _Lengths:
    """Lengths as text in the unit asked for, and small ones in micrometres or thousandths of an inch."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self._scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
        self._digits = 3 if unit == "mm" else 4
        self.small_unit = "um" if unit == "mm" else "thou"

    def __call__(self, value: float | None, digits: int | None = None) -> str:
        return "-" if value is None else f"{value * self._scale:z.{self._digits if digits is None else digits}f}"

    def small(self, value: float | None) -> str:
        return "-" if value is None else f"{1000 * value * self._scale:z.{1 if self.unit == 'mm' else 2}f}"

    def area(self, value: float | None) -> str:
        digits = 0 if self.unit == "mm" else 2
        return "-" if value is None else f"{value * self._scale**2:,.{digits}f} {self.unit}2"


def _verdict(data: DatumFile) -> str:
    failed = [check.feature for check in data.calipers if check.agrees is False]
    if failed:
        return f"**A size measured on the part ({', '.join(failed)}) disagrees with the scan's. Don't build on this.**"
    if not data.audit.within_budget:
        return "**Not within budget: see the audit below before you build on the light mesh.**"
    if data.audit.budget:
        return "Within budget."
    return "No budget was set: judge the deviations below yourself."


def _cautions(data: DatumFile) -> list[str]:
    if not data.cautions:
        return []
    return ["", "## Cautions of this run", "", *(f"- {text}" for text in data.cautions)]


def _scan(data: DatumFile, show: _Lengths) -> list[str]:
    source, audit = data.source, data.audit
    size = " x ".join(show(high - low, 1) for low, high in zip(*source.bounds, strict=True))
    return [
        "",
        "## Scan",
        "",
        f"- `{source.file}`, {source.facets:,} facets, {size} {show.unit}",
        f"- noise {show.small(source.noise_sigma)} {show.small_unit} (standard deviation along the normal), "
        f"mean edge {show(source.mean_edge, 2)} {show.unit}",
        f"- one unit of the file was taken as {source.unit_factor:g} mm",
        f"- light mesh: {audit.facets_after:,} facets; measured {show.area(audit.area_measured)}, "
        f"filled {show.area(audit.area_filled)}",
    ]


def _frame(data: DatumFile, show: _Lengths) -> list[str]:
    frame = data.frame
    lines = ["", f"## {DATUM_SYSTEM}", ""]
    lines += [f"- datum {d.letter}: {d.feature}, constrains {freedoms_in_words(d.constrains)}" for d in frame.datums]
    if not frame.complete:
        lines.append("- **incomplete**: what no datum fixes was chosen, not measured")
    lines += [f"- {reason}" for reason in frame.reasons]
    spread = frame.uncertainty
    if spread is not None:
        lines.append(
            f"- standard uncertainty (k = 1): x, y, z {', '.join(show.small(v) for v in spread.translation)} "
            f"{show.small_unit}; about x, y, z {', '.join(f'{v:.4f}' for v in spread.rotation)} deg"
        )
    return lines


def _features(data: DatumFile, show: _Lengths) -> list[str]:
    unit, small = show.unit, show.small_unit
    lines = ["", f"## Features ({len(data.features)})", ""]
    if not data.features:
        return [*lines, "None was found."]
    sure = [f for f in data.features if f.confidence == "good"]
    lines += [
        "Part coordinates; places and directions hold against the part frame, whose own uncertainty is in them; +- is "
        "k = 1. A dash: none that applies, or none that can be vouched for. "
        f'"{BY_DEFINITION}": none by definition, since the frame is set on it.',
        "",
        holds(data.source.scale_uncertainty),
        "",
        f"| id | what | D {unit} | +- {small} | x, y, z {unit} | +- {small} | direction | +- deg | form |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for f in sure:
        place, spread = f.in_part_frame, f.uncertainty
        against = place.uncertainty
        off, turned = (None, None) if against is None else (against.position, against.direction)
        what = term_of(f)
        if f.half_angle is not None:
            what += f", half angle {f.half_angle:.2f} deg"
        if f.major_radius is not None:
            what += f", {'centre circle' if kind_of(f).tubular else 'long axis'} D{show(2 * f.major_radius)}"
        what += "" if f.machined else " (cast)"
        what += "" if f.constraint is None else f" (held {f.constraint})"
        radius = f.radius
        direction = "-" if place.direction is None else ", ".join(f"{v:z.5f}" for v in place.direction)
        tilt = "-" if turned is None else f"{turned:.4f}"
        shift = show.small(off)
        if against is not None:
            shift = BY_DEFINITION if against.place_defines else shift
            tilt = BY_DEFINITION if against.direction_defines else tilt
        lines.append(
            f"| {f.id}{' **' + _cell(f.name) + '**' if f.name else ''} | {what} "
            f"| {show(None if radius is None else 2 * radius)} "
            f"| {show.small(None if spread.radius is None else 2 * spread.radius)} "
            f"| {', '.join(show(v) for v in place.point)} | {shift} "
            f"| {direction} | {tilt} | {form_in_words(f.form, unit)} |"
        )
    if len(sure) < len(data.features):
        lines += ["", "Low confidence, not to be relied on:", ""]
        lines += [
            f"- {f.id}: {term_of(f)}, {show.area(f.extent.area)}; {'; '.join(f.reasons)}"
            + (f"; {form_in_words(f.form, unit)}" if f.form.told else "")
            for f in data.features
            if f.confidence != "good"
        ]
    return lines


def _refused(data: DatumFile, show: _Lengths, files: tuple[str, ...]) -> list[str]:
    listed = sorted((r for r in data.rejected if r.number is not None), key=lambda r: r.number or 0)
    if not listed:
        return []
    told = [r for r in listed if r.fits]
    cast = len(listed) - len(told)
    drawn = any(name.startswith("pictures/refused-") for name in files)
    shown = "; `pictures/refused-*.png` show where the numbers are" if drawn else ""
    lines = [
        "",
        f"## Refused surfaces ({len(listed)})",
        "",
        f"Looked at and not made features{shown}. If one is a machined face all the same, accept it in the job file by "
        "a point on it and its kind; it is then of low confidence:",
        "",
        "```toml",
        listed[0].acceptance(show.unit).strip(),
        "```",
        "",
    ]
    if told:
        lines += [
            f"| no. | what | D {show.unit} | size | on it: x, y, z {show.unit} | why not |",
            "| --- | --- | --- | --- | --- | --- |",
        ]
    for r in told[:_MOST_REFUSED]:
        place = "-" if r.in_part_frame is None else ", ".join(show(v, 2) for v in r.in_part_frame.point)
        size = show.area(r.area) + ("" if r.arc is None else f", {r.arc:.0f} deg")
        lines.append(
            f"| X{r.number} | {term_of(r)} "
            f"| {show(None if r.radius is None else 2 * r.radius)} | {size} | {place} | {_cell(r.reason)} |"
        )
    more = len(told) - _MOST_REFUSED
    if more > 0:
        lines += ["", f"{more} more stand in the report."]
    if cast:
        lines += [
            "",
            f"{cast} more {'is' if cast == 1 else 'are'} rougher than the scan's noise explains; see the report.",
        ]
    return lines


def _patterns(data: DatumFile, show: _Lengths) -> list[str]:
    if not data.patterns:
        return []
    lines = ["", "## Patterns", ""]
    for p in data.patterns:
        text = f"- {PATTERNS.get(p.kind, p.kind)}: {', '.join(p.members)}"
        if p.kind == "pitch_circle":
            text += f"; {p.count} holes on D{show(p.diameter)} {show.unit}"
            text += f", rms {show.small(p.rms)} {show.small_unit}"
            text += f"; **{p.missing} missing**" if p.missing else ""
        if p.note:
            text += f"; {p.note}"
        lines.append(text)
    return lines


def _square_up(data: DatumFile, show: _Lengths) -> list[str]:
    by_size = sorted(data.features, key=lambda f: -(f.extent.area or 0.0))
    main = [f.id for f in by_size if f.confidence == "good"][:_MAIN_FEATURES]
    rows = [s for s in data.square_up if s.feature in main]
    if not rows:
        return []
    lines = [
        "",
        "## How far from perpendicular, parallel and coaxial to the datums",
        "",
        f"The {_MAIN_FEATURES} largest features against the datums; all others are in datums.json.{_judged(data)}",
        "",
        f"| feature | to datum | deviation | off by deg | +- | within | that is {show.small_unit} | over {show.unit} "
        f"| axes apart {show.small_unit} | stands out |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for s in sorted(rows, key=lambda s: (main.index(s.feature), s.datum)):
        spread = "-" if s.angle_uncertainty is None else f"{s.angle_uncertainty:.4f}"
        within = "-" if s.within is None else f"{s.within:.4f}"
        out = "yes" if s.significant else "-" if s.angle_uncertainty is None else "no"
        lines.append(
            f"| {s.feature} | {s.datum} | {RELATIONS[s.kind]} | {s.angle:z.4f} | {spread} | {within} "
            f"| {show.small(s.over)} | {show(s.length, 1)} | {show.small(s.offset)} | {out} |"
        )
    return lines


def _judged(data: DatumFile) -> str:
    if data.tests is None:
        return ""
    return (
        " The true angle is within the figure so called at 95 %: so much could be there without being seen."
        f" What stands out does so at {100 * (1 - data.tests.level):.0f} % for all {data.tests.count} deviations "
        f"together ({data.tests.correction})."
    )


def _suggestions(data: DatumFile, show: _Lengths) -> list[str]:
    rows = near_sizes(data)
    if not rows:
        return []
    lines = [
        "",
        "## Near standard sizes",
        "",
        "Suggestions only; no figure was changed to fit them. Names in one row can't be told apart by this size; those "
        "left out stand in datums.json. Uncertainties are those of measuring and of making together.",
        "",
        f"| feature | what | size {show.unit} | off by {show.small_unit} | in uncertainties | names | note |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        first = data.suggestions[row.first]
        sigmas = "-" if first.sigmas is None else f"{first.sigmas:.1f}"
        lines.append(
            f"| {row.feature} | {row.what} | {show(first.size)} | {show.small(first.off)} | {sigmas} | {row.told} "
            f"| {row.note} |"
        )
    return lines


def _places(data: DatumFile, show: _Lengths) -> list[str]:
    if not data.places:
        return []
    lines = ["", "## Points of the job, and what was taken for them", ""]
    lines.append(f"Points in part coordinates of this run, {show.unit}.")
    lines.append("")
    for p in data.places:
        at = f"[{', '.join(show(v) for v in p.in_part_frame.point)}]"
        if p.feature is None:
            lines.append(f"- {p.setting}: {at}")
        else:
            lines.append(f"- {p.setting}: {at}, {p.feature} at {show(p.distance)} {show.unit} from it")
    return lines


def _audit(data: DatumFile, show: _Lengths) -> list[str]:
    audit = data.audit
    small = show.small_unit
    lines = [
        "",
        "## What lightening cost",
        "",
        f"| {small} | rms | 95 % | 99 % | largest |",
        "| --- | --- | --- | --- | --- |",
    ]
    for found, said in (
        (audit, ", as measured"),
        (audit.second_opinion, ", as measured by pymeshlab"),
        (audit.noise_aside, f", {NOISE_REMOVED}"),
    ):
        if found is None:
            continue
        ways = ((found.scan_to_light, "scan to light mesh"), (found.light_to_scan, "light mesh to scan"))
        for way, text in ways:
            figures = (show.small(figure) for figure in (way.rms, way.p95, way.p99, way.max))
            lines.append("| " + " | ".join([text + said, *figures]) + " |")
    if audit.lightening_rms is not None:
        lines += ["", f"Scan noise removed, rms: {show.small(audit.lightening_rms)} {small}."]
    lines += _surface(data, show)
    if audit.budget:
        lines += ["", "| budget | limit | value | unit | held |", "| --- | --- | --- | --- | --- |"]
        for b in audit.budget:
            value = "no figure" if b.value is None else f"{b.value:.4f}"
            held = "yes" if b.held else "**NO**"
            lines.append(f"| {b.what} | {b.limit:.4f} | {value} | {b.unit} | {held} {b.where_in(show.unit)} |")
    return lines


def _by_hand(data: DatumFile, show: _Lengths) -> list[str]:
    """What is worth measuring on the part, and what was."""
    lines = ["", "## By hand", ""] if data.to_measure or data.calipers else []
    if data.to_measure:
        lines += [
            "Sizes that something hangs on, what gains most first. Open: 95 % either way of the scan's size as a share "
            "of the usual tolerance; above 100 % the scan can't tell whether it is kept.",
            "",
            f"| size | in the scan, {show.unit} | open | what hangs on it | how |",
            "| --- | --- | --- | --- | --- |",
        ]
    for size in data.to_measure:
        name = f"D of {size.features[0]}" if size.what == "diameter" else f"{' to '.join(size.features)}"
        share = "-" if size.open is None else f"{100 * size.open:.0f} %"
        lines.append(f"| {name} | {show(size.size)} | {share} | {_cell(size.why)} | {size.how} |")
    if data.to_measure:
        lines += ["", f"To fill in by the machine, {show.unit}:", ""]
    for size in data.to_measure:
        lines += [
            f"| {' to '.join(size.features)}, {size.instrument} | {' | '.join(size.columns)} |",
            "| --- |" + " --- |" * len(size.columns),
            *(f"| {row} |" + "  |" * len(size.columns) for row in size.rows),
            "",
        ]
    if data.to_measure:
        said = "" if show.unit == "mm" else ' as value = "2.4411 in"'
        lines += [
            f"For the job file, with value and uncertainty (standard, k = 1) put in{said}; the next run then says "
            "whether the scan agrees:",
            "",
            "```toml",
            "\n".join(size.job_lines() for size in data.to_measure).strip(),
            "```",
        ]
    for check in data.calipers:
        scanned = "no figure" if check.scanned is None else f"{show(check.scanned)} {show.unit}"
        verdict = {True: "they agree", False: "**they disagree**", None: "can't be judged"}[check.agrees]
        lines += [
            "",
            f"Measured {check.what} {check.feature}{f' to {check.other}' if check.other else ''}"
            f"{f' ({check.instrument})' if check.instrument else ''}: {show(check.measured)} {show.unit}, scanned "
            f"{scanned}: {verdict}.",
        ]
    return lines


def _surface(data: DatumFile, show: _Lengths) -> list[str]:
    """What became of the surface as such, and of edges that were made sharp."""
    lines = []
    sharp, sound = data.audit.sharp_edges, data.audit.soundness
    if sharp is not None:
        lines += [
            "",
            f"Edges made sharp on request, {show.area(sharp.area)} of the scan: there the scan as measured is up to "
            f"{show.small(sharp.from_scan)} {show.small_unit} from the light mesh, and the features' own surfaces, "
            f"which the budget is held against, up to {show.small(sharp.from_features)} {show.small_unit}.",
        ]
    if sound is not None:
        edges, crossing = sound.open_edges, sound.crossing_facets
        lines += [
            "",
            f"Open edges: {edges.light:,} in the light mesh, {edges.scan:,} in the scan with its gaps filled. "
            f"Facets that pass through others: {crossing.light:,} in the light mesh, {crossing.scan:,} near them "
            "in the scan.",
        ]
    return lines


def _gaps(data: DatumFile, show: _Lengths) -> list[str]:
    if not data.gaps:
        return []
    lines = ["", "## Gaps", ""]
    for g in data.gaps:
        note = f"; {g.note}" if g.note else ""
        lines.append(f"- {g.id}: {g.kind}, border {show(g.length, 1)} {show.unit}, {g.done}{note}")
    asked = [g for g in data.gaps if g.proposed]
    if asked:
        lines += [
            "",
            "Proposed for closing, not closed. Look at each in the report; to have it closed, paste its lines into the "
            "job file.",
        ]
    for g in asked:
        lines += ["", f"{g.id}: {g.proposed}", "", "```toml", closing_text(g.id), "```"]
    return lines


_PICTURES = "pictures/"
_FILES = {
    "datums.json": "every figure, for programs (mm, degrees)",
    "datums.schema.json": "the JSON Schema of datums.json",
    "features.csv": "features as a table, part coordinates",
    "relations.csv": "how features lie to each other",
    "names.json": "the numbers of features and gaps, for the next scan of the part; keep it",
    "job.toml": "this job with every default spelled out",
    "light.stl": "light mesh, part coordinates, {unit} (the file itself states no unit)",
    "light.ply": "light mesh, part coordinates, {unit}, with `feature` and `origin` of each facet",
    "light.obj": "light mesh, part coordinates, {unit}, a group a feature",
    "light.3mf": "light mesh, part coordinates, unit stated",
    "light.glb": "light mesh for viewers, metres, y up as glTF asks",
    "light-scan.ply": "the same facets in scan coordinates, mm",
    "datums.step": "supplemental geometry (ISO 16792) for CAD: faces, axes, datums, outlines; part coordinates, mm",
    "section.dxf": "half-section along the main axis, 1:1, with diameters and shoulder distances",
    "report.html": "the report, opens in any browser",
}


def _not_the_part(data: DatumFile, show: _Lengths) -> list[str]:
    lines = []
    if data.removals:
        lines += ["", "## Removed in cleaning", ""]
        for r in data.removals:
            note = f" ({r.note})" if r.note else ""
            lines.append(f"- {r.what}: {r.count:,}, {show.area(r.area)}{note}")
    if data.proposals:
        lines += ["", "## Probably not the part", ""]
        lines.append(
            "Nothing was cut for these. Look at each; if it is not the part, paste its zone into the job file."
        )
        for p in data.proposals:
            lines += [
                "",
                f"{p.what}, {show.area(p.area)}{_at(p, show)}: {p.reason}",
                "",
                "```toml",
                zone_text(p.zone).strip(),
                "```",
            ]
    return lines


def _at(proposal: ProposalRecord, show: _Lengths) -> str:
    place = proposal.in_part_frame
    return "" if place is None else f" at [{', '.join(show(v, 2) for v in place.point)}]"


def _listed(files: tuple[str, ...], unit: str) -> list[str]:
    """A line a file, but one for all pictures."""
    own = [f"- {_what(name, unit)}" for name in files if not name.startswith(_PICTURES)]
    pictures = len(files) - len(own)
    return [*own, *([f"- `{_PICTURES}`: {pictures} views and maps, those of the report"] if pictures else [])]


def _what(name: str, unit: str) -> str:
    if name.startswith("flange-"):
        kind = "drawing 1:1" if name.endswith(".dxf") else "print 1:1 with a scale bar; check the bar with a rule"
        return f"`{name}`: {kind}"
    text = _FILES.get(name)
    return f"`{name}`" if text is None else f"`{name}`: {text.format(unit=unit)}"


def _cell(text: str) -> str:
    """Text that can't break a Markdown table."""
    return " ".join(text.replace("|", "/").split())
