"""Whether two parts keep a distance between them."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Clearance, Fit, clearance
from pipeline.formats.fit_file import clearance_record
from pipeline.layout import ClearanceQuestion
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.report.fit import Section, Shown, Term, section_through


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


def _shown(question: ClearanceQuestion, found: Clearance, parts: Parts) -> Shown:
    facts = [f"{question.least:g} mm is the least that was asked for."] if question.least else []
    sections, terms, places = shown_places(question.between, found, parts)
    facts += [*places, *(_fit_line(fit).removeprefix("fit").strip() for fit in found.fits)]
    asked = f"clearance: {', '.join(question.between)}"
    held = found.verdict == "clear"
    return Shown(asked, found.verdict, held, found.why, tuple(facts), sections, terms)


def shown_places(
    between: tuple[str, str], found: Clearance, parts: Parts
) -> tuple[tuple[Section, ...], tuple[Term, ...], tuple[str, ...]]:
    """Sections through the places that a clearance hangs on, its terms, and sentences that say where they are."""
    facts: list[str] = []
    sections: list[Section] = []
    terms: tuple[Term, ...] = ()
    if found.spot is not None:
        spot = found.spot
        for name, place, on in zip(between, spot.places, spot.on, strict=True):
            facts.append(f"On {name}: {on or 'skin'}, at [{place[0]:.2f}, {place[1]:.2f}, {place[2]:.2f}].")
        sections.append(section_through(parts, between, spot.places, f"{spot.distance:.3f} ± {spot.expanded:.3f} mm"))
        terms = tuple(Term(term.name, term.kind, term.size) for term in spot.terms)
    if found.overlap is not None and found.overlap.middle is not None and found.overlap.shift is not None:
        middle, shift = found.overlap.middle, found.overlap.shift
        size = float(np.linalg.norm(shift))
        facts.append(f"They have {found.overlap.volume:.1f} mm3 in common.")
        facts.append(f"{between[1]} is free when shifted by {size:.2f} mm.")
        label = f"free {size:.2f} mm that way"
        sections.append(section_through(parts, between, np.array([middle, middle + shift]), label))
    if found.unseen is not None:
        facts.append("A place that was never measured is nearer than that: nothing is known of what may be there.")
        if found.unseen.distance > 0.0:
            places = np.array([found.unseen.on_one, found.unseen.on_other])
            label = f"{found.unseen.distance:.3f} mm, never measured"
            sections.append(section_through(parts, between, places, label))
    return tuple(sections), terms, tuple(facts)


KIND = Kind[ClearanceQuestion, Clearance](
    table="clearance",
    field="clearances",
    about=lambda question: " and ".join(question.between),
    answer=_answer,
    record=clearance_record,
    held=lambda found: found.verdict == "clear",
    lines=_lines,
    shown=_shown,
)
