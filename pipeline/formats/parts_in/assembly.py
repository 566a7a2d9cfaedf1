"""All parts of a layout where they stand."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np

from pipeline.errors import InputError, SettingsError
from pipeline.fitup import Line, Placed, Pose, item_in_words, item_where, placed
from pipeline.formats.parts_in.part import assumes_unit, read_part
from pipeline.geometry import Floats
from pipeline.layout import Layout
from pipeline.progress import Progress, silent

_APART = 20.0  # times that a part may be larger or smaller than the largest other one; an inch is 25.4 mm


def placed_parts(layout: Layout, progress: Progress = silent) -> dict[str, Placed]:
    """Every part of a layout where it stands, by its name.

    Raises SettingsError for a line that makes no sense, InputError when a part isn't what it should be.

    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> line = {"face": "start", "on": "rod: end"}
    >>> parts = placed_parts(Layout(part={"rod": rod, "bar": rod | {"place": [line]}}))
    >>> parts["bar"].pose.matrix[:3, 3].tolist()
    [0.0, 0.0, 50.0]
    """
    out: dict[str, Placed] = {}
    for number, (name, part) in enumerate(layout.part.items()):
        progress(number / len(layout.part), name)
        body = read_part(name, part)
        lines = []
        for line in part.place:
            there, colon, words = line.on.partition(":")
            if not colon or there.strip() not in out:
                raise SettingsError(
                    f"{name}: {line.words}: what a part is placed on is written PART: WORDS, of a part that stands "
                    f"before it in the layout ({', '.join(out) or 'none does'})."
                )
            base = out[there.strip()]
            lines.append(
                Line(
                    item_in_words(body, line.own, line.what),
                    item_where(base, item_in_words(base.body, words, line.what)),
                    line.is_opposed,
                    f"{name}: {line.words}",
                    line.gap,
                    line.gap_uncertainty,
                    None if line.turn is None else np.radians(line.turn),
                    np.radians(line.turn_uncertainty),
                )
            )
        start = None if part.at is None else np.array(part.at)
        open_way = [line.axis is not None and line.way is None for line in part.place]
        out[name] = Placed(body, _posed(lines, open_way, start))
    _check_sizes(layout, out)
    return out


def _check_sizes(layout: Layout, parts: dict[str, Placed]) -> None:
    """Refuse a part whose unit was only assumed, and whose size says that it may well be another one."""
    sizes = {name: float(np.ptp(part.vertices, axis=0).max()) for name, part in parts.items()}
    for name, part in layout.part.items():
        others = max((size for other, size in sizes.items() if other != name), default=sizes[name])
        if assumes_unit(part) and not others / _APART < sizes[name] < others * _APART:
            raise InputError(
                f"{name}: {part.file} states no unit, and in mm it would be {sizes[name]:.3g} mm large beside parts of "
                f'{others:.3g} mm; say which it is, units = "mm", "cm", "m" or "in".'
            )


def _posed(lines: list[Line], open_way: list[bool], start: Floats | None) -> Pose:
    """The pose that lines give. An axis has no sense of its own: where a line doesn't say which way it is to look and
    later lines can't be held, it looks the other way."""
    first: SettingsError | None = None
    for turns in product(*[(False, True) if is_open else (False,) for is_open in open_way]):
        turned = [replace(line, opposed=line.opposed != turn) for line, turn in zip(lines, turns, strict=True)]
        try:
            return placed(turned, start)
        except SettingsError as error:
            first = first or error
    assert first is not None
    raise first
