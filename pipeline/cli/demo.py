"""datumlift demo: the whole job on the demo part's scan."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import click

from pipeline.cli.run import Count, finish
from pipeline.cli.terminal import Place
from pipeline.cli.workshop import answer
from pipeline.errors import InputError, OutputError
from pipeline.output_folder import opened


@click.command(short_help="The whole job on the demo part's scan.")
@click.option(
    "--facets",
    type=Count(20_000, 40_000_000),
    default=200_000,
    show_default=True,
    help="Make a scan of about this many facets, e.g. 4e6.",
)
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="Of the noise, the pose and the gaps.",
)
@click.option(
    "--units",
    type=click.Choice(["mm", "in"]),
    default="mm",
    show_default=True,
    help="Unit of the scan's coordinates.",
)
@click.option(
    "--out",
    type=Place(),
    default=Path("demo-output"),
    show_default=True,
    help="Where the scan and the outputs go.",
)
@click.option("--fit", "with_fit", is_flag=True, help="Also place neighbours round the part and ask whether they fit.")
@click.option("--fresh", is_flag=True, help="Make everything anew, whatever an earlier run left.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object; see README.")
def command(
    facets: int, seed: int, units: str, out: Path, with_fit: bool, fresh: bool, quiet: bool, as_json: bool
) -> int:  # fmt: skip
    """Scan the demo part (the bearing housing of a reclaimed pump, on its way to a small hydro turbine)
    in the computer, with noise, gaps, a plug and debris, and run the whole job on it.

    With --fit the turbine's casing, frame, shaft, coupling and guard are placed on what was recovered, by the layout
    turbine_fit.toml; what was found of them goes to turbine_fit, and --json prints that. Then what turbine_make.toml
    and turbine_close.toml ask for is made to it, in folders of their names.
    """
    from pipeline.job import make_job

    if not quiet and not as_json:
        click.echo(f"making a demo scan of about {facets:,} facets in {out} ...", err=True)
    scan = _scan(out, facets, seed, units)
    job = make_job({"scan": scan, "read": {"units": units}})
    status = finish(job, None, out / scan.stem, fresh, quiet or (as_json and with_fit), as_json and not with_fit)
    if not with_fit or status:
        return status
    layouts = [path for path in _written(out, _sample_meshes().fit_files()) if path.suffix == ".toml"]
    first, *others = [path.with_suffix("") for path in layouts]
    status = answer(layouts[0], first, as_json, quiet, fresh)
    for layout, folder in zip(layouts[1:], others, strict=True):
        status = max(status, answer(layout, folder, False, quiet or as_json, fresh))
    return status


def _written(out: Path, files: Sequence[Path]) -> list[Path]:
    """Copies of files that are shipped, in the demo's folder."""
    with opened(out) as folder:
        try:
            for path in files:
                shutil.copyfile(path, folder.room / path.name)
        except OSError as error:
            raise OutputError(
                f"The demo layout can't be written to {out} ({error.strerror or error}); free some space or choose "
                "another --out."
            ) from None
        folder.put({path.name: folder.room / path.name for path in files})
    for told in folder.told:
        click.echo(f"caution  {told}", err=True)
    return [out / path.name for path in files]


def _scan(out: Path, facets: int, seed: int, units: str) -> Path:
    maker = _sample_meshes()
    with opened(out) as folder:
        try:
            made = [Path(path) for path in maker.make_demo(folder.room, facets=facets, seed=seed, units=units)]
        except OSError as error:
            raise OutputError(
                f"The demo scan can't be written to {out} ({error.strerror or error}); free some space or choose "
                "another --out."
            ) from None
        folder.put({path.name: path for path in made})
    for told in folder.told:
        click.echo(f"caution  {told}", err=True)
    return out / made[0].name


def _sample_meshes() -> ModuleType:
    """The maker of the demo scan: beside the package in a checkout, inside it when installed."""
    package = Path(__file__).resolve().parent.parent
    for home in (package / "sample_meshes", package.parent / "sample_meshes"):
        if (home / "__init__.py").is_file():
            spec = importlib.util.spec_from_file_location(
                "sample_meshes", home / "__init__.py", submodule_search_locations=[str(home)]
            )
            if spec and spec.loader:
                module = importlib.util.module_from_spec(spec)
                sys.modules["sample_meshes"] = module
                spec.loader.exec_module(module)
                return module
    raise InputError(
        "The demo part is not installed with this copy of datumlift; install it again from its repository."
    )
