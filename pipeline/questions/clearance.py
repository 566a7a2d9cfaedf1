"""Whether two parts keep a distance between them."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Clearance, Fit, clearance
from pipeline.formats.fit_file import clearance_record
from pipeline.layout import ClearanceQuestion
from pipeline.lengths import mm, mm3, place_in_mm
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.report.fit import Section, Shown, Term, section_through

_TOLD = 5e-5  # mm, under which a term is nought on the terminal


def _answer(question: ClearanceQuestion, parts: Parts, progress: Progress) -> Clearance:
    one, other = (parts[name] for name in question.between)
    return clearance(one, other, question.least)


def _lines(question: ClearanceQuestion, found: Clearance) -> list[str]:
    between = question.between
    lines = [f"clearance  {between[0]}, {between[1]}: {found.verdict}: {found.why}"]
    if found.spot is not None:
        spots = zip(between, found.spot.places, found.spot.on, strict=True)
        lines.append(
            "           at " + ", ".join(f"{place_in_mm(p)} on {name} {on or 'skin'}" for name, p, on in spots)
        )
        told = [term for term in found.spot.terms if term.size >= _TOLD]
        lines += [f"           {term.kind} {mm(term.size, '.4f')}: {term.name}" for term in told]
    if found.overlap is not None and found.overlap.volume is not None:
        lines.append(f"           they have {mm3(found.overlap.volume, '.2f')} in common")
    if found.overlap is not None and found.overlap.shift is not None:
        shift, size = place_in_mm(found.overlap.shift, ".3f"), float(np.linalg.norm(found.overlap.shift))
        lines.append(f"           {between[1]} is free when shifted by {shift}, which is {mm(size, '.3f')}")
    return [*lines, *map(_fit_line, found.fits)]


def _fit_line(fit: Fit) -> str:
    doubt = "" if fit.expanded is None else f", +-{mm(fit.expanded, '.3f')} (95 %)"
    kind = "play" if fit.play >= 0 else "interference"
    return (
        f"fit        {' '.join(fit.inner)} in {' '.join(fit.bore)}: {kind} {mm(abs(fit.play), '.3f')} of the diameters"
        f"{doubt}, over {mm(fit.overlap, '.1f')}; axes {mm(fit.eccentric, '.3f')} apart"
    )


def _shown(question: ClearanceQuestion, found: Clearance, parts: Parts) -> Shown:
    facts = [f"{mm(question.least, 'g')} is the least that was asked for."] if question.least else []
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
            facts.append(f"On {name}: {on or 'skin'}, at {place_in_mm(place)}.")
        sections.append(
            section_through(parts, between, spot.places, f"{mm(spot.distance, '.3f')} ± {mm(spot.expanded, '.3f')}")
        )
        terms = tuple(Term(term.name, term.kind, term.size) for term in spot.terms)
    if found.overlap is not None and found.overlap.middle is not None and found.overlap.shift is not None:
        middle, shift = found.overlap.middle, found.overlap.shift
        size = float(np.linalg.norm(shift))
        facts.append(f"They have {mm3(found.overlap.volume or 0.0)} in common.")
        facts.append(f"{between[1]} is free when shifted by {mm(size)}.")
        label = f"free {mm(size)} that way"
        sections.append(section_through(parts, between, np.array([middle, middle + shift]), label))
    if found.unseen is not None:
        facts.append("A place that was never measured is nearer than that: nothing is known of what may be there.")
        if found.unseen.distance > 0.0:
            places = np.array([found.unseen.on_one, found.unseen.on_other])
            label = f"{mm(found.unseen.distance, '.3f')}, never measured"
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
