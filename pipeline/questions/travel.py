"""How far a part can be moved before it comes too near to others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup import Item, direction_in_words, item_in_words, part_in_words
from pipeline.fitup.motions import Motion, Run, Travel, travel
from pipeline.formats.fit_file import travel_record
from pipeline.geometry import unit
from pipeline.layout import SecondMotion, TravelQuestion
from pipeline.lengths import mm, place_in_mm
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.report.fit import Curve, Grid, Shown, section_through
from pipeline.surfaces import SituationFeature

_SHOWN = 0.01  # mm or degrees that something must gain to be told
_WAYS = {"forward": (1,), "back": (-1,), "both": (1, -1)}


def axis_in_words(parts: Parts, text: str, where: str) -> Item:
    """The axis that "PART: WORDS" mean, where that part stands.

    Raises SettingsError where they mean none; `where` they stand in the layout.
    """
    part, words = part_in_words(parts, text, where)
    return item_in_words(parts[part].body, words, "axis").placed(parts[part].pose.matrix)


def _motion(asked: TravelQuestion | SecondMotion, parts: Parts, where: str) -> Motion:
    if asked.about is not None:
        return Motion(axis_in_words(parts, asked.about, where), True)
    assert asked.along is not None
    if not isinstance(asked.along, str):
        way = np.array(asked.along)
        if np.linalg.norm(way) < 1e-9:
            raise SettingsError(f"{where}: a direction of no length is none; say which way to go.")
        return Motion(Item(SituationFeature.AXIS, np.zeros(3), unit(way)), False)
    part, words = part_in_words(parts, asked.along, where)
    return Motion(direction_in_words(parts[part].body, words).placed(parts[part].pose.matrix), False)


def _answer(question: TravelQuestion, parts: Parts, progress: Progress) -> Travel:
    where = f"travel of {question.move}"
    motion = _motion(question, parts, where)
    size = np.radians if motion.turns else float
    second = None
    if question.second is not None:
        other = _motion(question.second, parts, where)
        steps = np.linspace(*question.second.over, question.second.steps)
        second = (other, np.radians(steps) if other.turns else steps)
    against = question.against or tuple(name for name in parts if name != question.move)
    return travel(
        parts[question.move], {name: parts[name] for name in against}, motion, float(size(question.up_to)),
        _WAYS[question.way], question.least,
        None if question.at_least is None else float(size(question.at_least)), second, progress,
    )  # fmt: skip


def _lines(question: TravelQuestion, found: Travel) -> list[str]:
    return [line for run in found.runs for line in _run_lines(question, found, run)]


def _run_lines(question: TravelQuestion, found: Travel, run: Run) -> list[str]:
    way = "back" if run.way < 0 else "forward"
    lines = [f"travel     {question.move}, {way} {_motion_in_words(question)}: {run.verdict}: {run.why}"]
    if run.stop is not None:
        named = zip((question.move, run.stop.against), run.stop.places, run.stop.on, strict=True)
        spots = ", ".join(f"{place_in_mm(p)} on {name} {on or 'skin'}" for name, p, on in named)
        lines.append(f"           stopped at {spots}{'' if run.stop.seen else '; never measured'}")
    lines += [f"           {text}" for text in _gains(found, run)]
    return [*lines, *(f"           {text}" for text in _owed(found, run))]


def _motion_in_words(question: TravelQuestion) -> str:
    if question.about is not None:
        return f"about {question.about}"
    return f"along {question.along if isinstance(question.along, str) else list(question.along or ())}"


def _gains(found: Travel, run: Run) -> list[str]:
    """What would let it go farther, for people."""
    size = np.degrees if found.turns else float
    out = []
    for gain in run.gains:
        more = gain.run - run.run
        if size(more) < _SHOWN:
            continue
        known = "" if gain.expanded is None else f", +-{_far(found, gain.expanded)} (95 %)"
        then = "all the way" if gain.stop is None else f"until {gain.stop[0]}: {gain.stop[1] or 'skin'} stops it"
        off = gain.milling
        if off is None:
            out.append(f"{_far(found, more)} more{known}, {then}, if {gain.part} were gone")
            continue
        depth = mm(off.depth) + ("" if off.expanded is None else f", +-{mm(off.expanded)},")
        out.append(
            f"{_far(found, more)} more{known}, {then}, if {depth} were milled off {off.words} and within "
            f"{mm(off.reach, '.0f')} of there, down to a plane square to {(np.round(off.way, 3) + 0.0).tolist()}"
        )
    if run.stop is not None and run.stop.spot is not None and not any(gain.milling for gain in run.gains):
        out.append(
            "no milling of either place, as far as to where something else stops it, was found that leaves a wall and "
            "gains more than the run is known within"
        )
    elif any(gain.milling for gain in run.gains):
        out.append("what wall that would leave isn't told here: plan it as a [[cut]] with a wall")
    return out


def _owed(found: Travel, run: Run) -> list[str]:
    """What cuts of the layout give, for people."""
    out = []
    for each in run.owed:
        if (np.degrees(each.more) if found.turns else each.more) < _SHOWN:
            continue
        then = "all the way" if each.stop is None else f"until {each.stop} was in the way"
        before = f"{_far(found, each.run)} before it, {then}"
        out.append(f"{_far(found, each.more)} of it by the cut {each.cut} of {each.part}: {before}")
    return out


def _far(found: Travel, run: float) -> str:
    return f"{np.degrees(run):.2f} degrees" if found.turns else mm(run)


def _shown(question: TravelQuestion, found: Travel, parts: Parts) -> Shown:
    size, unit_name = (np.degrees, "degrees") if found.turns else (np.asarray, "mm")
    sections, facts, curves = [], [], []
    for run in found.runs:
        way = "back" if run.way < 0 else "forward"
        facts.append(f"{way}: {run.why}")
        if run.stop is not None:
            facts.append(f"{way}: stopped by {run.stop.against}, {run.stop.on[1] or 'skin'}.")
            places = run.stop.places if run.stop.spot is None else run.stop.spot.places
            mover, motion = parts[question.move], _motion(question, parts, f"travel of {question.move}")
            pose = replace(mover.pose, matrix=motion.at(run.way * run.run) @ mover.pose.matrix)
            moved = {**parts, question.move: replace(mover, pose=pose)}
            label = f"stops after {_far(found, run.run)}"
            sections.append(section_through(moved, (question.move, run.stop.against), places, label))
        facts += [f"{way}: {text}." for text in _gains(found, run)]
        facts += [f"{way}: {text}." for text in _owed(found, run)]
        curves.append(
            Curve(size(run.gaps[:, 0]), run.gaps[:, 1], f"travel {way}, {unit_name}", "gap, mm",
                  f"Gap along the travel, {way}", question.least or None)
        )  # fmt: skip
    held = found.verdict in ("far enough", "told")
    asked = f"travel: {question.move} {_motion_in_words(question)}"
    said = "; ".join(f"{'back' if run.way < 0 else 'forward'} {run.why}" for run in found.runs)
    return Shown(
        asked, found.verdict, held, said, tuple(facts), tuple(sections), (), tuple(curves), _grids(question, found)
    )  # fmt: skip


def _grids(question: TravelQuestion, found: Travel) -> tuple[Grid, ...]:
    if found.map is None:
        return ()
    size, unit_name = (np.degrees, "degrees") if found.turns else (np.asarray, "mm")
    across, across_name = (np.degrees, "degrees") if found.map.turned else (np.asarray, "mm")
    title = f"Gap of {question.move} over both motions"
    return (
        Grid(size(found.map.runs), across(found.map.second), found.map.gaps, f"travel, {unit_name}",
             f"second motion, {across_name}", "gap, mm", title, None,
             question.least or None),
    )  # fmt: skip


KIND = Kind[TravelQuestion, Travel](
    table="travel",
    field="travels",
    about=lambda question: question.move,
    answer=_answer,
    record=travel_record,
    held=lambda found: found.verdict in ("far enough", "told"),
    lines=_lines,
    shown=_shown,
)
