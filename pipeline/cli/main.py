"""The front door: the list of commands, and how errors and interruptions leave the program."""

from __future__ import annotations

import atexit
import contextlib
import errno
import importlib
import io
import os
import re
import signal
import sys
import traceback
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import click

from pipeline import __version__
from pipeline.cli.memory_limit import lacking
from pipeline.cli.terminal import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_MEMORY, EXIT_STOPPED, EXIT_UNUSABLE
from pipeline.errors import DatumliftError

# One line a command: its name, and what it does. A command's module is imported only when it is asked
# for, so that --help answers at once.
COMMANDS = {
    "run": "Take a scan (or a job file) to a light mesh, a datum file and the proof of what was lost.",
    "batch": "Run many scans of one sort of part with the same job, and tell how far they spread.",
    "new": "Look at a scan and write a commented job file for it.",
    "demo": "Make the demo scan, at any density, and run the whole job on it.",
    "compare": "Audit any two meshes against each other.",
    "ladder": "Try several facet counts and show what each costs.",
    "frame": "Show the datum reference frame, and what moves if another datum is chosen.",
    "solid": "Make a solid with true bores and faces of a run, for CAD.",
    "fit": "Place parts by a layout file, and tell whether they clear each other.",
    "check": "Hold a rescan, after the cuts were made, against the plan.",
    "schema": "Print the JSON Schema of the datum file.",
}

# Commands that stand in a room of their own.
_WORKSHOP = ("solid", "fit", "check")

_LONG = 400  # signs of a word in a sentence; paths of more are rare
# A disk that is full, a quota that is used up, a device that takes no more.
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO)


class _Commands(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        room = "pipeline.cli.workshop" if name in _WORKSHOP else "pipeline.cli"
        return importlib.import_module(f"{room}.{name}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="datumlift")
def cli() -> None:
    """From a dense scan of a machined casting to CAD-ready datums, axes and a light mesh.

    The figures are no substitute for measuring the part. Before cutting, drilling or running a machine,
    local codes and licensed practice come first.
    """
    short = lacking()
    if short is not None:
        click.echo(f"datumlift: {short}", err=True)
        click.get_current_context().exit(EXIT_MEMORY)


class _Told(BaseException):
    """A signal asked the program to end."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class _Signals:
    """The first signal that asked the program to end.

    A library that is just being loaded may make an error of its own of what the signal raises in it.
    """

    def __init__(self) -> None:
        self.told: int | None = None
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._end)

    def _end(self, number: int, _: object) -> None:
        self.told = self.told or number
        raise _Told(number)

    @contextlib.contextmanager
    def not_swallowed(self) -> Iterator[None]:
        """Within, what a signal raises where Python lets nothing through, as in a weak reference's callback, comes
        again a moment later."""
        others = sys.unraisablehook

        def again(swallowed: sys.UnraisableHookArgs) -> None:
            if isinstance(swallowed.exc_value, _Told):
                number = swallowed.exc_value.number
                signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(number))
                signal.setitimer(signal.ITIMER_REAL, 0.01)
            else:
                others(swallowed)

        sys.unraisablehook = again
        try:
            yield
        finally:
            sys.unraisablehook = others


def program() -> NoReturn:
    """`main` as all that a process does: what a signal or want of memory ended has that status, whatever libraries do.

    One that was broken off in the middle may end the process with a status of its own, and none can tidy up without
    memory.
    """
    _fill_closed()
    try:
        main()
    except SystemExit as left:
        if left.code in (EXIT_INTERRUPTED, EXIT_STOPPED, EXIT_MEMORY):
            if left.code != EXIT_MEMORY:
                atexit._run_exitfuncs()
            for stream in (sys.stdout, sys.stderr):
                with contextlib.suppress(OSError, ValueError):
                    stream.flush()
            os._exit(int(left.code))
        raise


def _fill_closed() -> None:
    """Point standard streams that the caller has closed at the null device.

    Else the next file that is opened stands in for them, and what a library prints goes into it.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            # Those below it are open by now, so this one takes the number.
            os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, io.TextIOWrapper(io.FileIO(number, mode, closefd=False), encoding="utf-8"))


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status: 0, 1, 2, 3, 4, 130 or 143."""
    # By now whatever came up is gone, with all that it held: a library that finds its memory in use at the end of the
    # program leaves with a status of its own.
    sys.exit(_status(arguments))


def _status(arguments: list[str] | None) -> int:
    signals = _Signals()
    for stream in (sys.stdout, sys.stderr):
        # A name of bytes that are no text, or a terminal that lacks a sign, must not end a run.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # Numba keeps processes apart by a file of its own; where no file can be made, ours says so.
    warnings.filterwarnings("ignore", "Could not obtain multiprocessing lock")
    try:
        with signals.not_swallowed():
            status = cli.main(args=arguments, prog_name="datumlift", standalone_mode=False)
    except DatumliftError as error:
        _say(f"datumlift: {error}")
        return EXIT_UNUSABLE
    except click.ClickException as error:
        vars(error)["message"] = _readable(error.message)
        error.show()
        return EXIT_UNUSABLE
    except (_Told, click.Abort) as error:
        return _ended(error.number if isinstance(error, _Told) else signal.SIGINT)
    except SystemExit:
        # Click's way out where whoever read the output has gone; it has no other.
        return EXIT_UNUSABLE
    except Exception as error:
        if signals.told is not None:
            return _ended(signals.told)
        if isinstance(error, UnicodeEncodeError) and error.encoding == sys.getfilesystemencoding() != "utf-8":
            _say(
                f"datumlift: {error.object!a:.120} holds signs that names of files can't have in this system's coding, "
                f"{error.encoding}; set a UTF-8 locale (LC_ALL=C.UTF-8) or PYTHONUTF8=1."
            )
            return EXIT_UNUSABLE
        if isinstance(error, FileNotFoundError) and not _is_somewhere():
            _say("datumlift: the current folder is no longer there; go to one that is (cd), then try again.")
            return EXIT_UNUSABLE
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            _say(
                f"datumlift: what was to be written or printed found no room ({error.strerror}); free some space, or "
                "send it elsewhere."
            )
            return EXIT_UNUSABLE
        if _is_short_of_memory(error):
            _say("datumlift: this machine ran out of memory; close other programs, or scan with fewer facets.")
            return EXIT_MEMORY
        where = traceback.extract_tb(error.__traceback__)[-1]
        told = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        _say(
            f"datumlift: a fault of datumlift itself ({told}, at {Path(where.filename).name}:{where.lineno}); nothing "
            "of yours was changed, please report it with the command and the file."
        )
        return EXIT_FAULT
    return status if isinstance(status, int) else 0


def _say(text: str) -> None:
    """Print to standard error; where that takes nothing more, the exit status has to do."""
    with contextlib.suppress(OSError):
        click.echo(_readable(text), err=True)


def _readable(text: str) -> str:
    """A sentence in which no word fills the screen: of a value or path that does, its two ends. Signs that a terminal
    acts on, or shows none for, are written out."""
    seen = "".join(sign if sign.isprintable() or sign == "\n" else ascii(sign)[1:-1] for sign in text)
    return re.sub(rf"\S{{{_LONG},}}", lambda word: f"{word[0][:100]}...{word[0][-60:]}", seen)


def _is_somewhere() -> bool:
    """Whether the current folder is there; another process may have deleted it."""
    try:
        os.getcwd()
    except OSError:
        return False
    return True


def _is_short_of_memory(error: BaseException | None) -> bool:
    """Whether an error, or what it came of, says that no more memory was to be had; also for loading a library."""
    while error is not None:
        if isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno == errno.ENOMEM):
            return True
        # What glibc's dlopen says where a library finds no room.
        if any(words in str(error) for words in ("failed to map segment", "Cannot allocate memory")):
            return True
        error = error.__cause__ or error.__context__
    return False


def _ended(number: int) -> int:
    """Tell that a signal ended the program; the exit status."""
    words, status = ("told to stop", EXIT_STOPPED) if number == signal.SIGTERM else ("interrupted", EXIT_INTERRUPTED)
    _say(f"datumlift: {words}; the stages that were finished are kept, run it again to go on.")
    return status
