"""What can go wrong, as exceptions whose text is one clear sentence for the user.

    DatumliftError
    +-- InputError       a file that can't be read as what it should be
    +-- SettingsError    a job file or an option that makes no sense
    +-- OutputError      a place that can't be written
    +-- GeometryError    the data is readable, but the step asked for is impossible on it

The command line turns each of them into that sentence on standard error and exit status 2.
"""

from __future__ import annotations

from pipeline.lengths import in_unit


def printable(text: str) -> str:
    r"""The text with escapes instead of what can't be printed: control characters, and bytes that are no text.

    >>> print(printable("a\x1b[31m\udcff"))
    a\x1b[31m\udcff
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class DatumliftError(Exception):
    """Base of all errors that datumlift raises on purpose; `str(error)` says what, where and what to do.

    >>> import pipeline
    >>> try:
    ...     pipeline.run("housing.stl")
    ... except pipeline.DatumliftError as error:
    ...     print(error)
    The scan housing.stl does not exist; give the path of a mesh or points file.
    """

    def __str__(self) -> str:
        # What a file or a name brings along must not steer a terminal; lines to paste into a job stand as lines. No
        # output's unit is known here: lengths are those of the job.
        return "\n".join(map(printable, in_unit(super().__str__(), "mm").split("\n")))


class InputError(DatumliftError):
    """A file is missing, truncated, empty or not what its name says."""


class SettingsError(DatumliftError):
    """A job file or an option has an unknown key, a wrong type or an impossible value."""


class OutputError(DatumliftError):
    """The output folder or a file in it can't be written."""


class GeometryError(DatumliftError):
    """The step asked for can't be done on this geometry."""
