"""What a kind of question has to offer: one `Kind` a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pipeline.fitup import Placed
from pipeline.formats.datum_file import Record
from pipeline.progress import Progress
from pipeline.report.fit import Shown

Q = TypeVar("Q")
A = TypeVar("A")
Parts = Mapping[str, Placed]


def leaves_all(answer: object) -> dict[str, Placed]:
    return {}


def writes_nothing(question: object, answer: object, room: Path) -> tuple[str, ...]:
    return ()


def as_it_is(answer: Any) -> Any:
    return answer


def as_it_was(kept: Any, question: Any, parts: Parts) -> Any:
    return kept


@dataclass(frozen=True)
class Kind(Generic[Q, A]):
    """A kind of question: Q is its table in the layout, A the answer.

    table    of the layout, [[table]], and the field of `Layout` that holds the questions
    field    of `FitFile` that holds the records of the answers
    about    what a question is about, in a few words, for progress and headings
    answer   asks it of the parts where they stand
    record   the answer for fit.json
    held     whether what was asked for is held for certain; where it isn't, the exit status is 3
    lines    the answer for people, lines of a terminal
    shown    the answer for people, on the page
    leaves   the parts that are others from then on, by name: later questions are asked of those
    writes   writes the answer's own files into a folder, and gives their names
    keep     the answer as plain values, to be kept for another run; None where it can't be
    again    the answer from what was kept, the parts being what they were
    """

    table: str
    field: str
    about: Callable[[Q], str]
    answer: Callable[[Q, Parts, Progress], A]
    record: Callable[[Q, A], Record]
    held: Callable[[A], bool]
    lines: Callable[[Q, A], list[str]]
    shown: Callable[[Q, A, Parts], Shown]
    leaves: Callable[[A], dict[str, Placed]] = leaves_all
    writes: Callable[[Q, A, Path], tuple[str, ...]] = writes_nothing
    keep: Callable[[A], Any] | None = as_it_is
    again: Callable[[Any, Q, Parts], A] = as_it_was
