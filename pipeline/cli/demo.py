"""datumlift demo: the whole job on the demo part's scan."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import click

from pipeline.cli.run import finish
from pipeline.errors import InputError


class _Count(click.ParamType):
    """A whole number that may be written 4e6 or 4_000_000."""

    name = "number"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            count = float(str(value).replace("_", "").replace(",", ""))
        except ValueError:
            self.fail(f"{value!r} is not a number; write it like 200000 or 4e6.", param, ctx)
        if not 20_000 <= count <= 40_000_000:
            self.fail(f"{value} is out of reach; the demo scan can have 2e4 to 4e7 facets.", param, ctx)
        return round(count)


@click.command(short_help="The whole job on the demo part's scan.")
@click.option(
    "--facets",
    type=_Count(),
    help="Make a scan of about this many facets, e.g. 4e6; default: the sample that comes along.",
)
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="Of the noise, the pose and the gaps, when a scan is made.",
)
@click.option(
    "--units",
    type=click.Choice(["mm", "in"]),
    default="mm",
    show_default=True,
    help="Unit of a scan that is made.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("demo-output"),
    show_default=True,
    help="Where the scan and the outputs go.",
)
@click.option("--fresh", is_flag=True, help="Make everything anew, whatever an earlier run left.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as one JSON object.")
def command(facets: int | None, seed: int, units: str, out: Path, fresh: bool, quiet: bool, as_json: bool) -> int:
    """Scan the demo part (the bearing housing of a reclaimed pump, on its way to a small hydro turbine)
    in the computer, with noise, gaps, a plug and debris, and run the whole job on it."""
    from pipeline.job import make_job

    if not quiet and not as_json:
        click.echo("making the demo scan ..." if facets else "using the demo scan that comes along", err=True)
    scan = _scan(out, facets, seed, units)
    job = make_job({"scan": scan, "read": {"units": units if facets else "mm"}})
    return finish(job, None, out / scan.stem, fresh, quiet, as_json)


def _scan(out: Path, facets: int | None, seed: int, units: str) -> Path:
    maker = _sample_meshes()
    try:
        out.mkdir(parents=True, exist_ok=True)
        scan, _ = maker.make_demo(out, facets=facets, seed=seed, units=units)
    except OSError as error:
        raise InputError(f"The demo scan can't be written to {out} ({error.strerror}); choose another --out.") from None
    return Path(scan)


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
