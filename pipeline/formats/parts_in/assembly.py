"""All parts of a layout where they stand."""

from __future__ import annotations

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup import Line, Placed, item_in_words, placed
from pipeline.formats.parts_in.part import read_part
from pipeline.layout import Layout
from pipeline.progress import Progress, silent


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
                    item_in_words(base.body, words, line.what).placed(base.pose.matrix),
                    line.is_opposed,
                    f"{name}: {line.words}",
                    line.gap,
                    line.gap_uncertainty,
                )
            )
        start = None if part.at is None else np.array(part.at)
        out[name] = Placed(body, placed(lines, start))
    return out
