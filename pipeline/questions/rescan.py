"""A scan of a part after its cuts were made, held against the layout that planned them."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import SettingsError
from pipeline.fitup import Body, Placed, Walls, placed, walls
from pipeline.fitup.rescan import AgainstPlan, against_plan
from pipeline.formats.check_file import CheckFile, check_record
from pipeline.layout import Layout
from pipeline.questions.asking import Watch, fit_up, unwatched


@dataclass(frozen=True)
class Checked:
    """What was found of a rescan.

    part    of the layout, that it shows
    plan    how it lies, and each planned face
    walls   what is left behind the faces of each cut that a wall was asked of, by the cut's name
    record  check.json
    """

    part: str
    plan: AgainstPlan
    walls: tuple[tuple[str, Walls], ...]
    record: CheckFile


def planned_part(layout: Layout, part: str | None) -> str:
    """The part that was scanned again: the one that is asked for, or else the only one that cuts are planned in.

    Raises SettingsError where there is none, or more than one.

    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> drill = {"part": "rod", "bore": {"axis": "axis", "diameter": 5, "through": True}}
    >>> planned_part(Layout(part={"rod": rod}, cut=[drill]), None)
    'rod'
    """
    cut = list(dict.fromkeys(question.part for question in layout.cut))
    if not cut:
        raise SettingsError("The layout plans no cut, so there is nothing to hold a rescan against; add a [[cut]].")
    if part is None and len(cut) > 1:
        raise SettingsError(
            f"Cuts are planned in {' and '.join(cut)}; say with --part which of them was scanned again."
        )
    if part is not None and part not in cut:
        raise SettingsError(f"No cut is planned in a part {part!r}; cuts are planned in {' and '.join(cut)}.")
    return part or cut[0]


def check_rescan(layout: Layout, name: str, part: str, rescan: Body, watch: Watch | None = None) -> Checked:
    """Make the cuts of a layout file, and hold a rescan, in coordinates of its own, against what they should leave.

    Raises SettingsError and InputError as `fit_up` and `against_plan`.

    >>> from pipeline.errors import InputError
    >>> from pipeline.fitup import turned_body
    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> drill = {"part": "rod", "bore": {"axis": "axis", "diameter": 5, "through": True}}
    >>> layout = Layout(part={"rod": rod}, cut=[drill])
    >>> try:
    ...     check_rescan(layout, "rod.toml", "rod", turned_body("rescan", [(0, 90), (9, 90)], 0.01))
    ... except InputError as error:
    ...     print(str(error).partition(":")[0])
    The rescan doesn't lie on the part in any way
    """
    watch = watch or unwatched
    cuts = tuple(question for question in layout.cut if question.part == part)
    made = fit_up(
        layout.model_copy(update={"clearance": (), "travel": (), "envelope": (), "wall": (), "cut": cuts}), name, watch
    )
    with watch("check") as progress:
        plan = against_plan(made.parts[part].body, rescan)
        found = {face.number: face.found for face in plan.faces}
        there = Placed(rescan, placed([], plan.joined.motion))
        left = []
        for number, (question, each) in enumerate(zip(cuts, made.answered, strict=True)):
            progress(number / len(cuts), "walls")
            behind = [rescan.index_of(n) for f in each.answer.cut.planned if (n := found.get(f.id)) is not None]
            if question.wall is not None and behind:
                left.append((each.answer.cut.name, walls(there, question.wall.mm, behind)))
    return Checked(part, plan, tuple(left), check_record(name, part, plan, left))
