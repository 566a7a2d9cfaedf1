"""Answers kept between runs: a question is asked again only where it, or a part that its answer looked at, has changed.

What an answer looked at is not worked out from the question: the parts are handed over in a mapping that notes which of
them are taken, and each is known by a fingerprint of all that it is and where it stands. Placing parts is done each
time, since that gives them.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import artefacts
from pipeline.fitup import Body, Placed
from pipeline.output_folder import MARKER, WORK, opened
from pipeline.progress import Progress
from pipeline.questions.kind import Kind


@dataclass(frozen=True)
class Kept:
    """An answer, and fingerprints of the parts that it looked at, by name; of all names where it looked at these."""

    answer: Any
    parts: dict[str, str]
    names: tuple[str, ...] | None


class Shelf:
    """Where answers are kept in an output folder.

    out     the folder; inputs: files that must not be written over
    code    a digest of the program: another one asks all anew
    fresh   whether all is asked anew anyway

    >>> import tempfile
    >>> from pipeline.layout import Layout
    >>> from pipeline.questions.asking import fit_up
    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> layout = Layout(part={"rod": rod, "bar": rod}, clearance=[{"between": ["rod", "bar"]}])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = fit_up(layout, "rods.toml", shelf=Shelf(Path(folder), (), "1"))
    ...     len(list(Path(folder).glob("work/answer-*.npz")))
    1
    """

    def __init__(self, out: Path, inputs: Sequence[Path], code: str, fresh: bool = False) -> None:
        self._out, self._inputs, self._code, self._fresh = out, tuple(inputs), code, fresh
        self._used: set[str] = set()
        self._made: list[str] = []
        self._was_there = out.exists()
        self._prints: dict[int, tuple[Placed, str]] = {}
        self._bodies: dict[int, tuple[Body, str]] = {}

    def answer(self, kind: Kind[Any, Any], question: Any, parts: Mapping[str, Placed], progress: Progress) -> Any:
        """What was answered before where nothing has changed since; else asked, and kept.

        What can't be kept is asked each time.
        """
        if kind.keep is None:
            return kind.answer(question, parts, progress)
        name = f"answer-{artefacts.fingerprint((self._code, kind.table, question.model_dump_json()))[:32]}.npz"
        self._used.add(name)
        if not self._fresh and (found := self._found(name, parts)) is not None:
            progress(1.0, "as before")
            return kind.again(found.answer, question, parts)
        looked = _Noted(parts)
        answer = kind.answer(question, looked, progress)
        self._keep(
            name, Kept(kind.keep(answer), {n: self._print(parts[n]) for n in sorted(looked.taken)}, looked.names)
        )
        return answer

    def tidy(self) -> None:
        """Take away answers to what is no longer asked."""
        with opened(self._out, self._inputs) as folder:
            left = {path.name for path in (self._out / WORK).glob("answer-*.npz")} - self._used
            folder.drop(f"{WORK}/{name}" for name in sorted(left))

    def undo(self) -> None:
        """Take away what was kept of a run that comes to nothing, and the folder where it was made for that."""
        with opened(self._out, self._inputs) as folder:
            folder.drop(self._made)
        if self._was_there or not self._made:
            return
        for place in (self._out / WORK, self._out):
            (place / MARKER).unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                place.rmdir()

    def _found(self, name: str, parts: Mapping[str, Placed]) -> Kept | None:
        try:
            kept = artefacts.fetch(self._out / WORK / name, key=name)
        except FileNotFoundError:
            return None
        if not isinstance(kept, Kept) or (kept.names is not None and kept.names != tuple(parts)):
            return None
        same = all(n in parts and self._print(parts[n]) == known for n, known in kept.parts.items())
        return kept if same else None

    def _keep(self, name: str, kept: Kept) -> None:
        with opened(self._out, self._inputs) as folder:
            artefacts.store(kept, folder.room / name, key=name)
            folder.put({f"{WORK}/{name}": folder.room / name})
        self._made.append(f"{WORK}/{name}")

    def _print(self, part: Placed) -> str:
        """The fingerprint of a part, by all that an answer can see of it."""
        known = self._prints.get(id(part))
        if known is None:
            known = self._prints[id(part)] = part, artefacts.fingerprint((self._of_body(part.body), part.pose))
        return known[1]

    def _of_body(self, body: Body) -> str:
        """Of a body, as before its cuts too. An exact solid is that of its file less the cuts."""
        known = self._bodies.get(id(body))
        if known is None:
            is_file = body.solid is not None and body.solid.is_file()
            solid = hashlib.sha256(body.solid.read_bytes()).hexdigest() if body.solid and is_file else None
            uncut = None if body.uncut is None else (body.uncut[0], self._of_body(body.uncut[1]))
            plain = replace(body, exact=None, solid=None, uncut=None)
            known = self._bodies[id(body)] = body, artefacts.fingerprint((plain, body.exact is None, solid, uncut))
        return known[1]


class _Noted(Mapping[str, Placed]):
    """Parts, and which of them were taken; names: all of theirs where these were looked at."""

    def __init__(self, parts: Mapping[str, Placed]) -> None:
        self._parts = parts
        self.taken: set[str] = set()
        self.names: tuple[str, ...] | None = None

    def __getitem__(self, name: str) -> Placed:
        self.names = self.names if name in self._parts else tuple(self._parts)
        part = self._parts[name]
        self.taken.add(name)
        return part

    def __iter__(self) -> Iterator[str]:
        self.names = tuple(self._parts)
        return iter(self._parts)

    def __len__(self) -> int:
        self.names = tuple(self._parts)
        return len(self._parts)
