"""Command lines that nobody would write: every command and option, with places and values of every sort."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
from numpy.random import Generator as Random

from pipeline.cli.main import COMMANDS, cli
from tests.campaign.mutators import pick

# Left out: what makes a scan of its own size whatever stands beside it; what starts workers, which is the lists' to
# try; and an option that takes a minute by its nature.
_LEFT_OUT = ("demo", "batch")
_LONG = ("--second-opinion",)
_NUMBERS = (
    "1", "0.5", "0", "-1", "nan", "inf", "-inf", "1e308", "1e-308", "1e-400", "9" * 400, "0x10", "1_000", "1e5", " 2 ",
    "\u0663", "1,2", "", "1e999999999", "--", "-", "1.5.2", "true",
)  # fmt: skip
_WORDS = (
    "", " ", "x", "x" * 5000, "a\x1b[31mb", "\udcff", "\u202egpj", "caf\u00e9", "..", "-", "--", "--help", "=1+1", "%s",
    "{0}", "a\nb", "C:\\part.stl", "tcp://127.0.0.1:1", "http://127.0.0.1:1", "drum", "M", "datums", "A\u0301",
)  # fmt: skip
_PLACES = (
    "scan.stl", "second.stl", "sub/scan.stl", "broken.stl", "job.toml", "layout.toml", "drum", "drum/light.stl",
    "sub", "drum/datums.json", "drum/light.ply", "drum/work", "loop", "loop.stl", "link.stl", "pipe", "pipe.stl",
    "wide.step", "none.stl", "none/none.stl", ".", "..", "/", "/dev/null", "/dev/zero", "/proc/self/mem", "scan.stl/",
    "drum/../scan.stl", "list.txt", "=1+1.stl", "", "x" * 300 + ".stl", "x/" * 3000, "~", "~nobody/scan.stl", "$HOME",
    "*.stl", "\udcff.stl", "scan.STL", "-scan.stl", "file:scan.stl", "scan",
)  # fmt: skip
_OUT = ("out", "out/deep/er", "sub", "drum", "scan.stl", ".", "/proc/out", "/dev/null", "loop", "", "x" * 300)


def command_line(folder: Path, random: Random, name: str | None = None) -> list[str]:
    """A command with its arguments, places below `folder`, and some of its options; --quiet wherever there is one.

    name  of the command; any of those that are tried so, unless given
    """
    name = name or pick(random, [name for name in COMMANDS if name not in _LEFT_OUT])
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    words: list[str] = []
    for parameter in command.params:
        if isinstance(parameter, click.Argument):
            times = pick(random, (1, 1, 1, 1, 1, 0, 2, 3)) if parameter.nargs != 1 else pick(random, (1,) * 9 + (0, 2))
            words += [_argument(name, folder, random) for _ in range(times)]
        elif parameter.opts[-1] not in ("--quiet", "--help", *_LONG) and random.random() < _chance(parameter):
            words += _option(parameter, folder, random)
    if any("--quiet" in parameter.opts for parameter in command.params):
        words.append("--quiet")
    if random.random() < 0.05:
        words.insert(int(random.integers(len(words) + 1)), pick(random, _WORDS))
    return [name, *words]


def _chance(parameter: click.Parameter) -> float:
    return 0.9 if parameter.required else 0.25


def _argument(command: str, folder: Path, random: Random) -> str:
    if command == "schema":
        return pick(random, (*_WORDS, "run", "fit", "check"))
    usual = {"solid": "drum", "fit": "layout.toml", "check": "layout.toml", "batch": "list.txt"}.get(
        command, "scan.stl"
    )
    return _below(folder, usual if random.random() < 0.4 else pick(random, _PLACES))


def _below(folder: Path, place: str) -> str:
    """A place as it is written in the folder; what begins at the root, or is nothing at all, stays."""
    return place if place.startswith(("/", "~", "$", "-")) or not place else f"{folder}/{place}"


def _option(parameter: click.Parameter, folder: Path, random: Random) -> list[str]:
    option = pick(random, parameter.opts)
    if getattr(parameter, "is_flag", False):
        return [option]
    value = _value(parameter.type, option, folder, random)
    return [f"{option}={value}"] if random.random() < 0.3 else [option, value]


def _value(kind: click.ParamType, option: str, folder: Path, random: Random) -> str:
    made: tuple[Callable[[], str], ...] = (lambda: pick(random, _WORDS), lambda: pick(random, _NUMBERS))
    if option in ("--out", "--job"):
        places = _OUT if option == "--out" else _PLACES
        made = (*made[:1], *(lambda: _below(folder, pick(random, places)),) * 6)
    elif isinstance(kind, click.Choice):
        made = (*made[:1], *(lambda: str(pick(random, list(kind.choices))),) * 4)
    elif option == "--counts":
        made = (*made, *(lambda: ",".join(pick(random, _NUMBERS) for _ in range(int(random.integers(1, 4)))),) * 4)
    elif option != "--part":
        made = (*made, *made[1:] * 4)
    return pick(random, made)()
