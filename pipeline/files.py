"""Files as such: which paths are files at all, bytes that were copied as text, text written where there is none."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import OutputError

if TYPE_CHECKING:  # numpy takes its time, and the settings' files are read without it
    from pipeline.geometry import Bytes


_MAPPED = 1 << 30  # bytes, from which on a file is not read into memory as a whole
_LOOKED_AT = 1 << 24  # bytes, for what a copy did to them
_FEW = 3  # line ends: so many that a copy changed are no chance


def refuse_special(path: str | Path) -> None:
    """Raise OSError where a path leads to a pipe, a device or a socket: to read one may be to wait without end.

    >>> try:
    ...     refuse_special("/dev/null")
    ... except OSError as error:
    ...     print(error.strerror)
    it is a pipe or a device and no file, save it as one
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return  # whoever reads it is told
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise OSError(errno.EINVAL, "it is a pipe or a device and no file, save it as one", str(path))


def bytes_of(path: str | Path) -> bytes:
    """All that stands in a file. Raises OSError, as `refuse_special` too."""
    refuse_special(path)
    return Path(path).read_bytes()


def text_of(path: str | Path) -> str:
    """All that stands in a file of UTF-8 text. Raises UnicodeDecodeError, and OSError as `bytes_of`."""
    refuse_special(path)
    return Path(path).read_text(encoding="utf-8")


def content_of(path: str | Path) -> Bytes:
    """All bytes of a file, (n,). Raises OSError, as `refuse_special` too.

    What another program cuts short while it is mapped ends this one, so only a file that is too large is mapped.
    """
    import numpy as np

    refuse_special(path)
    if os.stat(path).st_size > _MAPPED:
        return np.memmap(path, dtype=np.uint8, mode="r")
    data = np.fromfile(path, dtype=np.uint8)
    data.setflags(write=False)
    return data


def copied_as_text(path: str | Path, start: int = 0) -> str:
    """What a copy made of a binary file that it took for text, as a clause for a sentence; "" where nothing tells it.

    start  where the bytes that are no text begin

    Of bytes as chance has them one in 256 is a line feed, and hardly ever does a carriage return stand before each.

    >>> import tempfile
    >>> sound, path = bytes(range(256)) * 4, Path(tempfile.mkdtemp()) / "a.bin"
    >>> for data in (sound, sound.replace(b"\\n", b"\\r\\n"), sound.decode("utf-8", "replace").encode()):
    ...     _ = path.write_bytes(data)
    ...     print(copied_as_text(path) or "as it was")
    as it was
    its line ends were changed, as a copy in text mode does
    its bytes were replaced, as an editor or a copy as text does
    """
    with open(path, "rb") as file:
        file.seek(start)
        data = file.read(_LOOKED_AT)
    feeds, returned = data.count(b"\n"), data.count(b"\r\n")
    lost = data.count(b"\xef\xbf\xbd")
    if lost >= _FEW and lost >= len(data) >> 6:
        return "its bytes were replaced, as an editor or a copy as text does"
    if feeds >= _FEW and feeds == returned:
        return "its line ends were changed, as a copy in text mode does"
    return ""


def write_new(path: Path, text: str, instead: str) -> None:
    """Write UTF-8 text to a new file, whole or not at all; `instead` is what the user can do where that can't be.

    Raises OutputError when the place can't be written, or has a file or a link already, which is left alone.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "job.toml"
    >>> write_new(path, "mine", "give another name")
    >>> try:
    ...     write_new(path, "other", "give another name")
    ... except OutputError as error:
    ...     print(str(error).replace(str(path), path.name), path.read_text())
    job.toml is there already and was left alone; give another name. mine
    """
    try:
        with open(path, "xb") as file:
            try:
                file.write(text.encode("utf-8"))
                file.flush()
            except BaseException:
                path.unlink()
                raise
    except FileExistsError:
        raise OutputError(f"{path} is there already and was left alone; {instead}.") from None
    except OSError as error:
        raise OutputError(f"{path} can't be written ({error.strerror or error}); {instead}.") from None
