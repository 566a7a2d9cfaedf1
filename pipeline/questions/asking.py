"""The parts of a layout placed, and all that it asks of them answered."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from pipeline.fitup import Placed, lacking
from pipeline.formats.fit_file import FitFile, fit_record
from pipeline.formats.parts_in import placed_parts
from pipeline.layout import Layout
from pipeline.lengths import in_unit, mm, place_in_mm
from pipeline.progress import Progress, silent
from pipeline.questions.keeping import Shelf
from pipeline.questions.kind import Kind
from pipeline.questions.registry import KINDS
from pipeline.report.fit import Shown

Watch = Callable[[str], contextlib.AbstractContextManager[Progress]]


@dataclass(frozen=True)
class Answered:
    """A question of the layout, its kind, the answer, and the parts as they were when it was asked."""

    kind: Kind[Any, Any]
    question: Any
    answer: Any
    parts: dict[str, Placed]

    @property
    def shown(self) -> Shown:
        """The answer for people, on the page."""
        return self.kind.shown(self.question, self.answer, self.parts)


@dataclass(frozen=True)
class FitUp:
    """What was found of a layout.

    parts     where they stand, after all that the questions make of them
    answered  in the order in which they were asked
    record    fit.json
    unit      "mm" | "in", of what is said
    """

    parts: dict[str, Placed]
    answered: tuple[Answered, ...]
    record: FitFile
    unit: str = "mm"

    @property
    def lines(self) -> list[str]:
        """What was found, for people, lines of a terminal."""
        lines = [line for name, part in self.parts.items() for line in _placing(name, part)]
        lines += [line for each in self.answered for line in each.kind.lines(each.question, each.answer)]
        return [in_unit(line, self.unit) for line in [*lines, f"within     {lacking(self.parts)}"]]


def fit_up(layout: Layout, name: str, watch: Watch | None = None, shelf: Shelf | None = None) -> FitUp:
    """Place the parts of a layout, and answer what it asks.

    name   of the layout file
    watch  called with a step's name; gives a context manager whose value is that step's Progress
    shelf  answers of an earlier run, and where those of this one are kept as they are found

    Raises SettingsError for what makes no sense, InputError where a part isn't what it should be.

    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> beside = [[1, 0, 0, 22], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]
    >>> parts = {"rod": rod, "bar": rod | {"at": beside}}
    >>> found = fit_up(Layout(part=parts, clearance=[{"between": ["rod", "bar"], "least": 1}]), "rods.toml")
    >>> found.record.held, found.record.clearances[0].verdict
    (True, 'clear')
    """
    watch = watch or unwatched
    with watch("place") as progress:
        parts = placed_parts(layout, progress)
    answered = []
    for kind in KINDS:
        questions = getattr(layout, kind.table)
        if not questions:
            continue
        with watch(kind.table) as progress:
            for number, question in enumerate(questions):
                share = _share(progress, number, len(questions), kind.about(question))
                share(0.0)
                answer = (
                    kind.answer(question, parts, share) if shelf is None else shelf.answer(kind, question, parts, share)
                )
                answered.append(Answered(kind, question, answer, parts))
                parts = parts | kind.leaves(answer)
    records = {
        kind.field: tuple(a.kind.record(a.question, a.answer) for a in answered if a.kind is kind) for kind in KINDS
    }
    held = all(each.kind.held(each.answer) for each in answered)
    return FitUp(parts, tuple(answered), fit_record(name, parts, records, held), layout.export.units)


def _share(progress: Progress, number: int, of: int, about: str) -> Progress:
    """The progress of one question among several."""

    def tell(fraction: float, text: str = "") -> None:
        progress((number + fraction) / of, f"{about}: {text}" if text else about)

    return tell


@contextlib.contextmanager
def unwatched(name: str) -> Any:
    yield silent


def _placing(name: str, part: Placed) -> list[str]:
    """Where a part stands, for people."""
    origin = place_in_mm(part.pose.matrix[:3, 3], ".3f")
    free = f"; free: {', '.join(part.pose.free)}" if part.pose.taken and part.pose.free else ""
    lines = [f"part       {name}: origin at {origin}{free}"]
    for left in part.pose.left:
        lines.append(f"           {left.words}: stays {mm(left.shift, '.3f')} and {left.angle:.5f} rad off")
    return lines
