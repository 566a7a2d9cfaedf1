"""What was found of a layout, as files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.formats.datum_file import text_of
from pipeline.formats.meshes_out import write_parts_glb
from pipeline.output_folder import opened
from pipeline.questions.asking import FitUp


def write_fit(found: FitUp, out: Path, inputs: Sequence[Path]) -> tuple[str, ...]:
    """Write fit.json, the parts in place and what the answers have of their own into a folder; the cautions.

    inputs  files that it must not write over

    Raises InputError or OutputError where the folder can't be written to; then nothing is.

    >>> import tempfile
    >>> from pipeline.layout import Layout
    >>> from pipeline.questions.asking import fit_up
    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     told = write_fit(fit_up(Layout(part={"rod": rod, "bar": rod}), "rods.toml"), Path(folder) / "rods", ())
    ...     sorted(path.name for path in (Path(folder) / "rods").glob("[a-z]*"))
    ['fit.json', 'placed.glb']
    """
    with opened(out, inputs) as folder:
        meshes = {name: (part.vertices, part.body.surface.faces) for name, part in found.parts.items()}
        write_parts_glb(folder.room / "placed.glb", meshes)
        (folder.room / "fit.json").write_text(text_of(found.record), encoding="utf-8")
        names = ["placed.glb", "fit.json"]
        for each in found.answered:
            names += each.kind.writes(each.question, each.answer, folder.room)
        folder.put({name: folder.room / name for name in names})
        return tuple(folder.told)
