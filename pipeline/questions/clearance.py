"""Whether two parts keep a distance between them."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Clearance, Fit, clearance
from pipeline.formats.fit_file import clearance_record
from pipeline.layout import ClearanceQuestion
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts


def _answer(question: ClearanceQuestion, parts: Parts, progress: Progress) -> Clearance:
    one, other = (parts[name] for name in question.between)
    return clearance(one, other, question.least)


def _lines(question: ClearanceQuestion, found: Clearance) -> list[str]:
    between = question.between
    lines = [f"clearance  {between[0]}, {between[1]}: {found.verdict}: {found.why}"]
    if found.spot is not None:
        spots = zip(between, found.spot.places, found.spot.on, strict=True)
        lines.append(
            "           at "
            + ", ".join(f"[{p[0]:.2f}, {p[1]:.2f}, {p[2]:.2f}] on {name} {on or 'skin'}" for name, p, on in spots)
        )
        lines += [f"           {term.kind} {term.size:.4f} mm: {term.name}" for term in found.spot.terms]
    if found.overlap is not None and found.overlap.volume is not None:
        lines.append(f"           they have {found.overlap.volume:.2f} mm3 in common")
    if found.overlap is not None and found.overlap.shift is not None:
        x, y, z = found.overlap.shift
        size = float(np.linalg.norm(found.overlap.shift))
        lines.append(f"           {between[1]} is free when shifted by [{x:.3f}, {y:.3f}, {z:.3f}], {size:.3f} mm")
    return [*lines, *map(_fit_line, found.fits)]


def _fit_line(fit: Fit) -> str:
    doubt = "" if fit.expanded is None else f", +-{fit.expanded:.3f} (95 %)"
    kind = "play" if fit.play >= 0 else "interference"
    return (
        f"fit        {' '.join(fit.inner)} in {' '.join(fit.bore)}: {kind} {abs(fit.play):.3f} mm of the diameters"
        f"{doubt}, over {fit.overlap:.1f} mm; axes {fit.eccentric:.3f} mm apart"
    )


KIND = Kind[ClearanceQuestion, Clearance](
    table="clearance",
    field="clearances",
    about=lambda question: " and ".join(question.between),
    answer=_answer,
    record=clearance_record,
    held=lambda found: found.verdict == "clear",
    lines=_lines,
)
