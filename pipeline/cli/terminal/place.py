"""Places as arguments: the path of a file or folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click


class Place(click.Path):
    """The path of a file or folder, whether it is there or not, with a name that it can have.

    >>> Place().convert("scans/housing.stl", None, None).as_posix()
    'scans/housing.stl'
    """

    def __init__(self) -> None:
        super().__init__()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        # To Python no name is the current folder; a script whose variable is empty means no such thing.
        if not os.fspath(value).strip():
            self.fail("an empty name is no file and no folder; write one, or . for the current folder.", param, ctx)
        place = Path(os.fsdecode(super().convert(value, param, ctx)))
        if place == Path(place.anchor) != Path():
            self.fail(f"{value} is the root of the file system; name a file or a folder in it.", param, ctx)
        return place
