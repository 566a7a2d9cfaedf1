"""Which scans a batch has, what their output folders are called, and how much memory each may want."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files import refuse_special
from pipeline.formats.meshes_in import FORMS
from pipeline.runner import default_out

# Measured from 0.8 k to 0.3 M facets, a report with its pictures included: the peak is 0.8 GB and some 630 bytes a
# facet; that is rounded up.
_BASE, _A_FACET = 1.0e9, 800.0
# The least bytes a facet takes in a file: of a binary STL exactly 50; of others a packed one is the smallest.
_IN_STL, _IN_OTHERS = 50, 8
_LONGEST_LIST = 1 << 24


@dataclass(frozen=True)
class ScanFile:
    """path of a scan, its name as the list or the folder has it, and the name of its output folder in the batch's."""

    path: Path
    name: str
    folder: str


def scans_of(source: Path, taken: Collection[str] = ()) -> tuple[ScanFile, ...]:
    """The scans of a folder by their names, numbers in them in their order, or of a list in its own.

    source  a folder, or a text file with a path on each line, from its own place on; lines that begin with # are none
    taken   names that no output folder may have

    Raises InputError where there is neither, or no scan in it.

    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp())
    >>> for name in ("part 10.stl", "part 9.stl", "part 9.ply", "notes.txt"):
    ...     _ = (place / name).write_text("")
    >>> [(scan.name, scan.folder) for scan in scans_of(place)]
    [('part 9.ply', 'part 9-ply'), ('part 9.stl', 'part 9-stl'), ('part 10.stl', 'part 10')]
    """
    if source.is_dir():
        try:
            there = [path for path in source.iterdir() if path.suffix.lower() in FORMS and path.is_file()]
        except OSError as error:
            raise InputError(f"The folder {source} can't be read ({error.strerror}); check its permissions.") from None
        named = [(path, path.name) for path in sorted(there, key=lambda path: _natural(path.name))]
        empty = f"The folder {source} holds no scan ({' '.join(FORMS)}); give the one that does, or a list of scans."
    else:
        named = [(source.parent / line, line) for line in _lines(source)]
        empty = f"The list {source} names no scan; write the path of one on each line."
    if not named:
        raise InputError(empty)
    seen: dict[str, str] = {}
    for path, name in named:
        if (key := os.path.realpath(path)) in seen:
            raise InputError(f"The list {source} names one scan twice, as {seen[key]} and {name}; take one out.")
        seen[key] = name
    folders = _folders([path for path, _ in named], taken)
    return tuple(ScanFile(path, name, folder) for (path, name), folder in zip(named, folders, strict=True))


def memory_of(path: Path) -> float:
    """Bytes that a run of this scan may want at most, from the most facets that a file of its size can hold.

    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "a.stl"
    >>> _ = place.write_bytes(bytes(84 + 50 * 1_000_000))
    >>> round(memory_of(place) / 1e9, 3)
    1.8
    """
    try:
        size = path.stat().st_size
    except OSError:
        return _BASE  # it will be refused
    return _BASE + _A_FACET * size / (_IN_STL if path.suffix.lower() == ".stl" else _IN_OTHERS)


def _lines(source: Path) -> list[str]:
    try:
        refuse_special(source)
        if source.stat().st_size > _LONGEST_LIST or source.suffix.lower() in FORMS:
            raise InputError(
                f"{source} is no list of scans but a scan, or a file of another kind; give a folder, or a text file "
                "with the path of a scan on each line."
            )
        lines = [line.strip() for line in source.read_text(encoding="utf-8-sig").splitlines()]
    except FileNotFoundError:
        raise InputError(f"There is no folder and no list of scans {source}; check the name.") from None
    except OSError as error:
        raise InputError(f"The list {source} can't be read ({error.strerror}); check it and try again.") from None
    except UnicodeDecodeError:
        raise InputError(
            f"{source} is not UTF-8 text, so it is no list of scans; write one path on each line."
        ) from None
    except ValueError:
        raise InputError(f"{str(source)!r:.80} is no path; give a folder, or a list of scans.") from None
    if "\0" in "".join(lines):
        raise InputError(f"{source} is no text, so it is no list of scans; write the path of one on each line.")
    return [line for line in lines if line and not line.startswith("#")]


def _natural(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """As people count: part 9 before part 10."""
    split = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return [(0, int(piece), "") if piece.isdecimal() else (1, 0, piece) for piece in split], name


def _folders(paths: Sequence[Path], taken: Collection[str]) -> list[str]:
    """Named after the scans; where two would be the same without regard to case, after their forms or folders too."""
    short = [default_out(path).name for path in paths]
    longer = [f"{name}-{path.suffix[1:]}" for name, path in zip(short, paths, strict=True)]
    longest = [f"{Path(os.path.realpath(path)).parent.name}-{name}" for name, path in zip(longer, paths, strict=True)]
    used = {name.casefold() for name in taken}
    out: list[str] = []
    for k in range(len(paths)):
        choices = [names[k] for names in (short, longer, longest) if _alone(names, k)]
        name = next((choice for choice in choices if choice.casefold() not in used), longest[k])
        base, number = name, 1
        while name.casefold() in used:
            number += 1
            name = f"{base}-{number}"
        used.add(name.casefold())
        out.append(name)
    return out


def _alone(names: Sequence[str], k: int) -> bool:
    return sum(name.casefold() == names[k].casefold() for name in names) == 1
