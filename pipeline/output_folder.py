"""The output folder: what in it this program wrote, and how files get into it without any of the user's being lost.

A marker, `.datumlift`, in the folder and one in its `work` list every file that was written, by name and SHA-256, and
are sealed with a digest of their own. A file is replaced or taken away only while it is still what was written. Any
other that is in the way is moved into `kept-1`, `kept-2` ... in the same folder, and told. So even a forged marker can
do away with nothing but files whose every byte its forger knew.

What is to be written is made in a room inside the folder first, whose name only this program comes to: what a run that
was killed left of it is taken away by the next one. Files go from there to their places, and their digests stand in the
marker before they do: after a kill at any moment each is known for what it is.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import stat
import time
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path, PurePosixPath

from pipeline.errors import OutputError, SettingsError
from pipeline.files import text_of

MARKER = ".datumlift"
WORK = "work"
_SHOWN = 8  # names of kept files in a sentence


class OutputFolder:
    """An output folder open for writing, as `opened` makes it. Names in it are relative, with forward slashes.

    path  the folder
    room  a folder in it to make files in, of this writer alone; it goes when the folder is closed
    """

    def __init__(self, path: Path, inputs: tuple[Path, ...]) -> None:
        self.path = path
        # No name that anybody would think of: what is found under it was left by a run into this very folder.
        self.room = path / f".making-{hashlib.sha256(b'datumlift %d' % path.stat().st_ino).hexdigest()[:32]}"
        self._inputs = inputs
        self._markers = {part: _Marker(path / part / MARKER) for part in ("", WORK)}
        self._digests: dict[str, tuple[tuple[int, ...], str]] = {}
        self._kept: list[str] = []
        self._keeping: Path | None = None

    @property
    def written(self) -> tuple[str, ...]:
        """Names of the files that were written here, sorted, without those in `work`; none in a folder of others."""
        return tuple(sorted(self._markers[""].files))

    def wrote(self, name: str) -> bool:
        """Whether the file is there, written by this program, and the same to the last byte since."""
        known = self._marker(name).files.get(name, ())
        return bool(known) and self._digest(name) in known

    def holds(self, name: str) -> bool:
        """Whether something stands under that name that this program did not write, or not as it is now."""
        return os.path.lexists(self.path / name) and not self.wrote(name)

    def put(self, files: Mapping[str, Path]) -> None:
        """Move files, made in the room, to their names; what is in the way and the user's is kept, see `told`.

        Raises OutputError where a folder or a link is in the way or an input would be written over, and nothing has
        changed then, or where the place can't be written.
        """
        for name in files:
            self._refuse(name)
        with _told(self.path):
            self._put(files)

    def _put(self, files: Mapping[str, Path]) -> None:
        digests = {name: digest_of(made) for name, made in files.items()}
        markers = {id(marker): marker for marker in map(self._marker, files)}.values()
        there = {name: self._digest(name) for name in files}
        ours = {name for name in files if self.wrote(name)}
        for name, digest in digests.items():
            self._marker(name).files[name] = tuple({digest, there[name] or digest} if name in ours else {digest})
        for marker in markers:
            self._save(marker)
        for name, digest in digests.items():
            if there[name] == digest:
                continue
            if name not in ours and os.path.lexists(self.path / name):
                self._keep(name)
            (self.path / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(files[name], self.path / name)
        for name, digest in digests.items():
            self._marker(name).files[name] = (digest,)
        for marker in markers:
            self._save(marker)

    def put_text(self, name: str, text: str) -> None:
        """Write one text file, UTF-8, whole or not at all; as `put`."""
        made = self.room / "text"
        with _told(self.path):
            made.write_bytes(text.encode("utf-8"))
        self.put({name: made})

    def drop(self, names: Iterable[str]) -> None:
        """Take away what this program wrote under those names; a file that is no longer that stays."""
        with _told(self.path):
            for name in names:
                if self.wrote(name) and not self._is_input(name):
                    (self.path / name).unlink()
                if self._marker(name).files.pop(name, None) is not None:
                    self._save(self._marker(name))

    def set_aside(self, names: Iterable[str]) -> None:
        """Move what stands under those names and isn't as it was written out of the way."""
        with _told(self.path):
            for name in names:
                if self.holds(name) and not self._is_input(name):
                    self._keep(name)

    @property
    def told(self) -> tuple[str, ...]:
        """What the user must be told: which files were in the way, and where they are now."""
        if not self._kept:
            return ()
        one, more = len(self._kept) == 1, len(self._kept) - _SHOWN
        shown = ", ".join(self._kept[:_SHOWN]) + (f" and {more} more" if more > 0 else "")
        return (
            f"{shown} in {self.path} {'was' if one else 'were'} not as this datumlift wrote {'it' if one else 'them'}, "
            f"so {'it was' if one else 'they were'} moved to {self._keeping}, and nothing of yours is lost.",
        )

    def refuse_inputs(self, names: Iterable[str]) -> None:
        """Raise OutputError where one of `names`, which are to be written, is a file that this run reads."""
        for name in names:
            if self._is_input(name):
                raise OutputError(
                    f"{self.path / name} is read by this run and would be written over by it; choose another --out."
                )

    def begin(self) -> None:
        """Make the room, empty. Raises OutputError where the folder can't be written."""
        if not self.room.is_symlink():
            shutil.rmtree(self.room, ignore_errors=True)
        with _told(self.path):
            self.room.mkdir()

    def end(self) -> None:
        """Take the room away."""
        shutil.rmtree(self.room, ignore_errors=True)

    def _marker(self, name: str) -> _Marker:
        return self._markers[WORK if name.startswith(f"{WORK}/") else ""]

    def _save(self, marker: _Marker) -> None:
        text = marker.text()
        if text == marker.stands:
            return
        marker.path.parent.mkdir(parents=True, exist_ok=True)
        if marker.stands is None and os.path.lexists(marker.path):
            self._keep(marker.path.relative_to(self.path).as_posix())
        made = self.room / MARKER
        made.write_text(text, encoding="utf-8")
        os.replace(made, marker.path)
        marker.stands = text

    def _digest(self, name: str) -> str | None:
        """Of the file as it is; None where there is no regular file, links not counting as one."""
        try:
            seen = os.lstat(self.path / name)
            if not stat.S_ISREG(seen.st_mode):
                return None
            state = (seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)
            before = self._digests.get(name)
            if before is None or before[0] != state:
                before = self._digests[name] = (state, digest_of(self.path / name))
            return before[1]
        except OSError:
            return None

    def _refuse(self, name: str) -> None:
        way = self.path
        for part in PurePosixPath(name).parts[:-1]:
            way = way / part
            if os.path.lexists(way) and (way.is_symlink() or not way.is_dir()):
                raise OutputError(
                    f"{way} is {'a link' if way.is_symlink() else 'a file'} where datumlift has a folder of its own; "
                    "nothing was changed, choose another --out or move it away."
                )
        if (self.path / name).is_dir() and not (self.path / name).is_symlink():
            raise OutputError(
                f"{self.path / name} is a folder where datumlift would write a file; nothing was changed, choose "
                "another --out or move it away."
            )
        self.refuse_inputs((name,))

    def _is_input(self, name: str) -> bool:
        for path in self._inputs:
            with contextlib.suppress(OSError):
                if os.path.samefile(path, self.path / name):
                    return True
        return False

    def _keep(self, name: str) -> None:
        if self._keeping is None:
            number = 1
            while os.path.lexists(self.path / f"kept-{number}"):
                number += 1
            self._keeping = self.path / f"kept-{number}"
        (self._keeping / name).parent.mkdir(parents=True, exist_ok=True)
        os.rename(self.path / name, self._keeping / name)
        self._kept.append(name)


class _Marker:
    """files: of each name the digests that it may have; two while it is being replaced. stands: its text on disk."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.files: dict[str, tuple[str, ...]] = {}
        self.stands: str | None = None
        try:
            text = text_of(path) if not path.is_symlink() else ""
            told = json.loads(text)
            files = {str(name): tuple(map(str, digests)) for name, digests in told["files"].items()}
            if told["seal"] == _seal(files):
                self.files, self.stands = files, text
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            pass

    def text(self) -> str:
        files = {name: list(digests) for name, digests in sorted(self.files.items())}
        told = {"datumlift": "what it wrote here, by SHA-256", "files": files, "seal": _seal(self.files)}
        return json.dumps(told, indent=1) + "\n"


def _seal(files: Mapping[str, tuple[str, ...]]) -> str:
    plain = json.dumps({name: sorted(digests) for name, digests in files.items()}, sort_keys=True)
    return hashlib.sha256(f"{MARKER} {plain}".encode()).hexdigest()


@contextlib.contextmanager
def opened(path: Path, inputs: Iterable[Path] = ()) -> Iterator[OutputFolder]:
    """The output folder at `path`, for one writer at a time; made if it isn't there.

    inputs  files that this run reads: they are never written over, by whatever name or link they are reached

    A folder in which nothing came to be written is taken away again if it was made here. Raises OutputError where the
    folder can't be written or another run is writing it, SettingsError for a path that can't be one.

    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "out"
    >>> with opened(place) as folder:
    ...     folder.put_text("summary.md", "first")
    >>> _ = (place / "summary.md").write_text("with a note of mine")
    >>> with opened(place) as folder:
    ...     folder.put_text("summary.md", "second")
    >>> (place / "summary.md").read_text(), (place / "kept-1" / "summary.md").read_text()
    ('second', 'with a note of mine')
    """
    _refuse_impossible(path)
    if os.path.lexists(path) and not path.is_dir():
        raise OutputError(f"{path} can't be the output folder: a file of that name is there; choose another --out.")
    made = [part for part in (path, *path.parents) if not part.exists()]
    with _told(path):
        path.mkdir(parents=True, exist_ok=True)
    with _locked(path):
        try:
            folder = OutputFolder(path, tuple(inputs))
            folder.begin()
            try:
                yield folder
            finally:
                folder.end()
        finally:
            if made:
                _take_away_empty(path, made)


def _take_away_empty(path: Path, made: Iterable[Path]) -> None:
    """Delete folders that were made, innermost first, up to one that holds something: it may be reached by the others.

    In "new/../out" the folder new is empty, and out can't be found without it.
    """
    with contextlib.suppress(OSError):
        (path / WORK).rmdir()
    with contextlib.suppress(OSError):
        for part in made:
            if part.name != "..":
                part.rmdir()


def until_free(path: Path, most: float) -> None:
    """Wait while another run is writing the output folder at `path`, `most` seconds at most.

    >>> until_free(Path("no such folder"), 1.0)
    """
    end = time.monotonic() + most
    while path.is_dir() and time.monotonic() < end:
        try:
            with _locked(path):
                return
        except OutputError:
            time.sleep(0.2)


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal. Raises OSError."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _refuse_impossible(path: Path) -> None:
    """Raise SettingsError for a path that no file can have."""
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else error
        raise SettingsError(f"The output folder {str(path)!r:.80} can't be one ({told}); choose another.") from None
    real = os.path.realpath(path)
    if real == Path(real).anchor:
        raise SettingsError(f"The output folder {path} is the whole file system's own; choose one in it.")


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """What the system refuses as a sentence."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"The output folder {path} can't be written ({error.strerror or error}); free some space or choose another "
            "--out."
        ) from None


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Keep two runs from writing one folder at the same time, where the system has locks; nothing is left behind."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OutputError(
                f"Another run is writing {path} just now; wait for it, or choose another --out."
            ) from None
        except OSError:
            pass  # a file system without locks
        yield
    finally:
        os.close(handle)
