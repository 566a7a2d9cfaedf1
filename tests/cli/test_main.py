"""How the command line ends: a sentence and an exit status of its own for each way, never a traceback."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
import weakref
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from pipeline.cli import main as front
from pipeline.errors import InputError


def ended(monkeypatch: pytest.MonkeyPatch, body: Callable[[], object]) -> int:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    monkeypatch.setattr(front.cli, "main", lambda **_: body())
    try:
        with pytest.raises(SystemExit) as error:
            front.main([])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert isinstance(error.value.code, int)
    return error.value.code


def raising(error: BaseException) -> Callable[[], object]:
    def body() -> object:
        raise error

    return body


def loading(number: int) -> None:
    """A library that is being loaded, and says of whatever comes up that it can't be."""
    try:
        os.kill(os.getpid(), number)
    except BaseException as error:
        raise ImportError("initialization failed") from error


def dropping(number: int) -> int:
    """A signal that comes in a callback out of which Python lets no error."""

    class Dropped:
        pass

    def told(_: object) -> None:
        os.kill(os.getpid(), number)
        for _number in range(1000):
            pass

    dropped = Dropped()
    kept = weakref.ref(dropped, told)
    del dropped
    for _ in range(500):
        time.sleep(0.01)
    return 0 if kept() is None else 1


def mapping() -> None:
    """A library that finds no room when it is loaded, and one that says so in its own words."""
    try:
        raise OSError("lib.so: failed to map segment from shared object")
    except OSError as error:
        raise ImportError("could not load lib.so") from error


@pytest.mark.parametrize(("body", "status", "says"), [
    (lambda: 3, 3, ""),
    (lambda: None, 0, ""),
    (raising(InputError("a.stl is broken; export it again.")), 2, "datumlift: a.stl is broken; export it again."),
    (raising(RuntimeError("odd\nstate")), 1, "a fault of datumlift itself (RuntimeError: odd state, at test_main.py:"),
    (raising(MemoryError()), 4, "ran out of memory"),
    (raising(OSError(errno.ENOMEM, "Cannot allocate memory")), 4, "ran out of memory"),
    (mapping, 4, "ran out of memory"),
    (raising(OSError(errno.ENOSPC, "No space left on device")), 2, "found no room (No space left on device); free"),
    (lambda: os.kill(os.getpid(), signal.SIGINT), 130, "interrupted; the stages that were finished are kept"),
    (raising(click.Abort()), 130, "interrupted; the stages that were finished are kept"),
    (lambda: os.kill(os.getpid(), signal.SIGTERM), 143, "told to stop; the stages that were finished are kept"),
    (lambda: dropping(signal.SIGINT), 130, "interrupted; the stages that were finished are kept"),
    (lambda: dropping(signal.SIGTERM), 143, "told to stop; the stages that were finished are kept"),
    (lambda: loading(signal.SIGTERM), 143, "told to stop; the stages that were finished are kept"),
    (lambda: loading(signal.SIGINT), 130, "interrupted; the stages that were finished are kept"),
])  # fmt: skip
def test_each_end_has_its_status_and_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    body: Callable[[], object],
    status: int,
    says: str,
) -> None:
    assert ended(monkeypatch, body) == status
    told = capsys.readouterr().err
    assert says in told
    assert "Traceback" not in told
    assert len(told.splitlines()) == bool(says)


@pytest.mark.parametrize(
    "words",
    [
        ["run", "scan.stl", "--facets", "x" * 100_000],
        ["run", "scan.stl", "--" + "x" * 100_000],
        ["x" * 100_000],
        ["solid", "x" * 100_000],
        ["solid", ".", "--skin", "1" + "0" * 100_000],
        ["compare", "scan.stl", "x" * 100_000],
    ],
)
def test_a_value_that_fills_the_screen_is_cut_in_the_sentence(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as error:
        front.main(words)
    assert error.value.code == 2
    assert 20 < len(capsys.readouterr().err) < 900


@pytest.mark.parametrize("odd", ["a\x1b[31mb", "a\u202egpj", "a\udcff", "a\rb", "a\u0085b"])
def test_signs_that_a_terminal_acts_on_are_written_out(
    odd: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    for words in (["run", odd], ["compare", "a.stl", "b.stl", odd], ["fit", odd], [odd]):
        with pytest.raises(SystemExit) as left:
            front.main(words)
        said = capsys.readouterr().err
        assert left.value.code == 2
        assert ascii(odd)[1:-1] in said
        assert all(line.isprintable() for line in said.split("\n"))


def test_a_long_path_is_told_whole(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    path = "/".join(["castings"] * 40)
    assert ended(monkeypatch, raising(InputError(f"{path} is empty; copy it again."))) == 2
    assert capsys.readouterr().err == f"datumlift: {path} is empty; copy it again.\n"


def test_a_name_that_the_systems_coding_lacks_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    body = raising(UnicodeEncodeError("ascii", "Größe", 2, 4, "ordinal not in range(128)"))
    assert ended(monkeypatch, body) == 1
    monkeypatch.setattr(sys, "getfilesystemencoding", lambda: "ascii")
    assert ended(monkeypatch, body) == 2
    assert "'Gr\\xf6\\xdfe' holds signs that names of files can't have" in capsys.readouterr().err


LOADED = """\
import ctypes, os, signal
from pipeline.cli import main as front
libc = ctypes.CDLL(None)
libc.__cxa_atexit(libc.abort, None, None)  # what a library in C may do that was broken off in the middle
front.cli.main = lambda **_: os.kill(os.getpid(), signal.{name})
front.program()
"""


@pytest.mark.parametrize(("name", "status"), [("SIGINT", 130), ("SIGTERM", 143)])
def test_a_library_can_t_change_the_status_of_what_a_signal_ended(name: str, status: int) -> None:
    done = subprocess.run([sys.executable, "-c", LOADED.format(name=name)], capture_output=True, text=True)
    assert done.returncode == status
    assert "run it again to go on" in done.stderr


@pytest.mark.parametrize(("command", "status"), [
    ("run nowhere.stl 2>&-", 2), ("run nowhere.stl <&- >&- 2>&-", 2), ("run nowhere.stl 2> /dev/full", 2),
    ("--help 2>&-", 0), ("--help >&-", 0), ("schema > /dev/full", 2), ("schema run | true", 2),
])  # fmt: skip
def test_streams_that_are_closed_full_or_read_by_nobody_are_no_fault(command: str, status: int) -> None:
    if "/dev/full" in command and not os.path.exists("/dev/full"):
        pytest.skip("this system has no device that is always full")
    shell = f'"$0" -m pipeline.cli {command}; exit ${{PIPESTATUS[0]}}'
    done = subprocess.run(["bash", "-c", shell, sys.executable], capture_output=True, text=True)
    assert done.returncode == status
    assert "fault" not in done.stderr
    assert "Traceback" not in done.stderr


CLOSED = """\
import os
from pipeline.cli import main as front
def opens(**_):
    print("to nobody")
    opened = os.open("made", os.O_WRONLY | os.O_CREAT)
    os.write(1, b"from a library in C")
    return 3 if opened > 2 and not os.path.getsize("made") else 0
front.cli.main = opens
front.program()
"""


def test_what_is_printed_to_a_closed_stream_gets_into_no_file(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    for closed in (">&-", "<&- >&- 2>&-"):
        shell = ["bash", "-c", f'"$0" -c "$1" {closed}', sys.executable, CLOSED]
        assert subprocess.run(shell, cwd=tmp_path, env=environment).returncode == 3


def test_a_current_folder_that_was_deleted_is_told(tmp_path: Path) -> None:
    (tmp_path / "scan.stl").write_text("solid none")
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    shell = 'mkdir gone; cd gone; rmdir ../gone; "$0" -m pipeline.cli run ../scan.stl'
    command = ["bash", "-c", shell, sys.executable]
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith(
        "datumlift: the current folder is no longer there; go to one that is"
    )
