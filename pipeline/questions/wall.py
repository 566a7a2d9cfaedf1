"""Whether a part, as its cuts leave it, is thick enough."""

from __future__ import annotations

from pipeline.errors import SettingsError
from pipeline.fitup import Walls, walls
from pipeline.formats.fit_file import wall_record
from pipeline.layout import WallQuestion
from pipeline.progress import Progress
from pipeline.questions.cut import wall_lines
from pipeline.questions.kind import Kind, Parts


def _answer(question: WallQuestion, parts: Parts, progress: Progress) -> Walls:
    part = parts[question.part]
    behind = []
    for words in question.behind:
        found = [k for k, f in enumerate(part.body.features) if f.goes_by(words) or part.body.names.get(f.id) == words]
        if not found:
            known = ", ".join(f.id for f in part.body.features[:12])
            raise SettingsError(f"wall: {question.part} has no feature {words!r}; it has {known or 'none'}.")
        behind += found
    if not part.body.closed:
        raise SettingsError(
            f"wall: the part {question.part} is not closed all round, so its walls have no other side; close its gaps."
        )
    return walls(part, question.least.mm, behind, None, progress)


KIND = Kind[WallQuestion, Walls](
    table="wall",
    field="walls",
    about=lambda question: question.part,
    answer=_answer,
    record=lambda question, found: wall_record(question.part, question.behind, found),
    held=lambda found: found.verdict == "holds",
    lines=lambda question, found: wall_lines(question.part, found),
)
