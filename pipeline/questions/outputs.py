"""What was found of a layout, as files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.formats.datum_file import text_of
from pipeline.formats.drawings import write_dxf
from pipeline.formats.meshes_out import write_parts_3mf, write_parts_glb
from pipeline.output_folder import opened
from pipeline.questions.asking import FitUp
from pipeline.report.fit import section_items, write_page


def write_fit(found: FitUp, out: Path, inputs: Sequence[Path]) -> tuple[str, ...]:
    """Write fit.json, its page, the parts in place, sections and what answers have of their own; the cautions.

    inputs  files that it must not write over

    Raises InputError or OutputError where the folder can't be written to; then nothing is.

    >>> import tempfile
    >>> from pipeline.layout import Layout
    >>> from pipeline.questions.asking import fit_up
    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     told = write_fit(fit_up(Layout(part={"rod": rod, "bar": rod}), "rods.toml"), Path(folder) / "rods", ())
    ...     sorted(path.name for path in (Path(folder) / "rods").glob("[a-z]*"))
    ['fit.html', 'fit.json', 'placed.3mf', 'placed.glb']
    """
    shown = [each.shown.in_unit(found.unit) for each in found.answered]
    with opened(out, inputs) as folder:
        meshes = {name: (part.vertices, part.body.surface.faces) for name, part in found.parts.items()}
        write_parts_glb(folder.room / "placed.glb", meshes)
        write_parts_3mf(folder.room / "placed.3mf", meshes, "mm")
        (folder.room / "fit.json").write_text(text_of(found.record), encoding="utf-8")
        write_page(folder.room / "fit.html", found.record, found.parts, shown, found.unit)
        names = ["placed.glb", "placed.3mf", "fit.json", "fit.html"]
        for number, section in enumerate((section for one in shown for section in one.sections), 1):
            names.append(f"section-{number}.dxf")
            write_dxf(folder.room / names[-1], section_items(section), found.unit)
        for each in found.answered:
            names += each.kind.writes(each.question, each.answer, folder.room)
        folder.put({name: folder.room / name for name in names})
        return tuple(folder.told)
