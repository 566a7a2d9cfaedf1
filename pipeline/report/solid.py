"""The report's section on the solid."""

from __future__ import annotations

from pipeline.report.figures import Figures
from pipeline.report.tables import cell, figure, named, table
from pipeline.report.words import safe


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
        f"features were made sharp, by at most {show.length('solid.edge_depth', 0.05)} {unit}.</p>"
    )
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
    body = "\n".join(part for part in (said, faces, left, warned) if part)
    return f'<section aria-labelledby="solid"><h2 id="solid">The solid for CAD</h2>\n{body}</section>'
