"""A figure as the value of an option."""

from __future__ import annotations

import math
from typing import Any

import click


class Figure(click.FloatRange):
    """A finite number above zero, as the value of an option.

    >>> Figure().convert("0.5", None, None)
    0.5
    """

    def __init__(self) -> None:
        super().__init__(min=0, min_open=True)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        figure = float(super().convert(value, param, ctx))
        if not math.isfinite(figure):
            self.fail(f"{value} is no figure; give a number above 0.", param, ctx)
        return figure
