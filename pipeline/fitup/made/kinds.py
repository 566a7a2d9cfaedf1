"""The kinds of made part, by the words of the layout."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from pipeline.fitup import Placed
from pipeline.fitup.made.part import MadePart
from pipeline.fitup.made.template import template
from pipeline.making import MakeQuestion

_MAKERS: dict[str, Callable[[MakeQuestion, Mapping[str, Placed]], MadePart]] = {
    "template": template,
}


def made(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """The part that a layout asks for, laid out on the parts where they stand.

    Raises SettingsError, in one sentence, for a wish that can't be had.

    >>> sorted(_MAKERS) == ["template"]
    True
    """
    return _MAKERS[question.what](question, parts)
