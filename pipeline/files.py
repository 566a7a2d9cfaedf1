"""Text files written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.errors import OutputError


def write_whole(path: Path, text: str, instead: str = "choose another --out") -> None:
    """Write UTF-8 text beside `path` and put it in its place; what stood there stays until then.

    Raises OutputError when the place can't be written; `instead` is what the user can do about it.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.write_text(text, encoding="utf-8")
        os.replace(temporary, path)
    except OSError as error:
        raise OutputError(f"{path} can't be written ({error.strerror}); {instead}.") from None
    finally:
        temporary.unlink(missing_ok=True)
