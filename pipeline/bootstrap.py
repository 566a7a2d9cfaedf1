"""Set datumlift up on a fresh machine and run it: `python3 pipeline/bootstrap.py demo` or `... test`.

Only the standard library is used here. It makes `.venv` beside the package, installs datumlift and what
it needs into it, sees to the system libraries, and then runs what was asked for.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import platform
import re
import shutil
import subprocess
import sys
import sysconfig
import tempfile
import venv
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
OLDEST = (3, 11)

# Shared library -> Debian package. pymeshlab imports without libOpenGL and then lacks half of its
# filters without a word, so each library is looked for by name rather than by an import that works.
SYSTEM = {
    "libGL.so.1": "libgl1",
    "libOpenGL.so.0": "libopengl0",
    "libEGL.so.1": "libegl1",
    "libX11.so.6": "libx11-6",
    "libusb-1.0.so.0": "libusb-1.0-0",
    "libgomp.so.1": "libgomp1",
}
# What the tests need on top: a browser for the report, a PDF renderer for the drawings.
TEST_PROGRAMS = {"chromium": "chromium", "pdftoppm": "poppler-utils"}

# Large libraries that no kernel needs: kernels are compiled while these are unpacked.
LARGE = ("open3d-cpu", "open3d", "pymeshlab", "cadquery-ocp-novtk")

# Of tests at once, each of which may take 2 GB.
TEST_PROCESSES = 4

USAGE = """usage: python3 pipeline/bootstrap.py demo [options of `datumlift demo`]
       python3 pipeline/bootstrap.py test [options of pytest]
       python3 pipeline/bootstrap.py setup [test|dev]"""


def main(arguments: list[str]) -> int:
    if not arguments or arguments[0] not in ("demo", "test", "setup"):
        print(USAGE, file=sys.stderr)
        return 2
    if sys.version_info < OLDEST:
        print(
            f"datumlift needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {platform.python_version()}.",
            file=sys.stderr,
        )
        return 2
    what, rest = arguments[0], arguments[1:]
    extra = "test" if what == "test" else "".join(rest) if what == "setup" else ""
    if extra not in ("", "test", "dev"):
        print(USAGE, file=sys.stderr)
        return 2
    if not _system_libraries(for_tests=extra != ""):
        return 2
    python = _environment()
    _install_and_compile(python, extra)
    if what == "demo":
        return subprocess.call([python, "-m", "pipeline.cli", "demo", *rest], cwd=ROOT)
    if what == "test":
        # A file is run by one process, so that what its tests share is made once.
        side_by_side = ("-n", "auto", "--maxprocesses", str(TEST_PROCESSES), "--dist", "loadfile")
        return subprocess.call([python, "-m", "pytest", *side_by_side, *rest], cwd=ROOT)
    print(f"datumlift is ready: {_bin('datumlift')}")
    return 0


def _system_libraries(for_tests: bool) -> bool:
    """Install what is missing where this is root on Debian or Ubuntu; else say the one line to run."""
    if sys.platform != "linux":
        return True
    wanted = [package for library, package in SYSTEM.items() if not _loads(library)]
    if for_tests:
        wanted += [package for program, package in TEST_PROGRAMS.items() if shutil.which(program) is None]
    if not wanted:
        return True
    line = "apt-get update && apt-get install -y --no-install-recommends " + " ".join(wanted)
    if shutil.which("apt-get") is None:
        print(
            f"These system libraries are missing: {', '.join(wanted)} (names of Debian); install them and try again.",
            file=sys.stderr,
        )
        return False
    if os.geteuid() != 0:
        print(
            f"System packages are missing; run this line once, then try again:\n  sudo sh -c '{line}'",
            file=sys.stderr,
        )
        return False
    print(f"installing system packages: {' '.join(wanted)}", flush=True)
    if subprocess.call(
        line, shell=True, stdout=subprocess.DEVNULL, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    ):
        print(f"The system packages could not be installed; run this line by hand:\n  {line}", file=sys.stderr)
        return False
    return True


def _loads(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


def _bin(name: str) -> Path:
    folder = "Scripts" if os.name == "nt" else "bin"
    return VENV / folder / (name + (".exe" if os.name == "nt" else ""))


def _environment() -> str:
    python = _bin("python")
    if not python.exists():
        print(f"making {VENV.name}", flush=True)
        try:
            venv.create(VENV, with_pip=True, clear=VENV.exists())
        except (OSError, subprocess.CalledProcessError) as error:
            raise SystemExit(
                f"The virtual environment {VENV} could not be made ({error}); "
                "on Debian install python3-venv, then try again."
            ) from None
    return str(python)


def _install_and_compile(python: str, extra: str) -> None:
    """Install once, again only when what is to be installed has changed; compile once for each state of the code.

    All is fetched first, so that one answer of pip holds for both halves of the installation.
    """
    project = _project()
    wanted = hashlib.sha256(
        (ROOT / "pyproject.toml").read_bytes() + sysconfig.get_python_version().encode()
    ).hexdigest()
    stamp = VENV / f"installed-{extra or 'base'}"
    if stamp.exists() and stamp.read_text() == wanted:
        _finished(_compiling(python))
        return
    everything = project["dependencies"] + _of_extra(project, extra)
    small = [line for line in project["dependencies"] if _name(line) not in LARGE]
    with tempfile.TemporaryDirectory() as wheels:
        print("fetching what datumlift needs (about 450 MB) ...", flush=True)
        _pip(python, "wheel", "--wheel-dir", wheels, *everything)
        print("installing it (about 1 GB) ...", flush=True)
        fetched = ["--no-index", "--find-links", wheels]
        # Python compiles a library's modules when they are first imported, and most of them never are; but where it
        # may not keep what it compiled, it would do so at every start.
        if not sys.dont_write_bytecode:
            fetched.append("--no-compile")
        _pip(python, "install", *fetched, *small)
        compiling = _compiling(python)
        try:
            _pip(python, "install", *fetched, *everything)
            _pip(python, "install", "--no-deps", "--editable", str(ROOT))
        except BaseException:
            compiling.terminate()
            compiling.wait()
            raise
    _finished(compiling)
    stamp.write_text(wanted)
    if extra == "dev":
        (VENV / "installed-test").write_text(wanted)


def _project() -> dict[str, Any]:
    import tomllib  # not before Python 3.11, whose lack is told in a sentence

    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)["project"]


def _of_extra(project: dict[str, Any], extra: str) -> list[str]:
    """The requirements of an extra, those of the extras that it names of this project included."""
    found: list[str] = []
    for line in project["optional-dependencies"][extra] if extra else []:
        own = re.fullmatch(rf"{project['name']}\[(\w+)\]", line)
        found += _of_extra(project, own[1]) if own else [line]
    return found


def _name(requirement: str) -> str:
    return re.split(r"[^\w.-]", requirement, maxsplit=1)[0]


def _pip(python: str, command: str, *arguments: str) -> None:
    quiet = ["--quiet", "--disable-pip-version-check"]
    if subprocess.call([python, "-m", "pip", command, *quiet, *arguments]):
        raise SystemExit(
            "The installation failed; the lines above say why. It needs the package index; "
            "check the network, then try again."
        )


def _compiling(python: str) -> subprocess.Popen[bytes]:
    """Start compiling the kernels, which are kept beside the package after that."""
    return subprocess.Popen([python, "-m", "pipeline.warm"], cwd=ROOT)


def _finished(compiling: subprocess.Popen[bytes]) -> None:
    if compiling.wait():
        raise SystemExit("datumlift was installed, but its kernels can't be compiled; the line above says why.")


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit("interrupted; what was done is kept, the same command goes on from there")
