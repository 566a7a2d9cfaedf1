"""Text files written where there is none yet."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import OutputError


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
