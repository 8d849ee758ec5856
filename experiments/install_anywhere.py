"""Do wheel and source distribution build, install and work where others put them?

Question
    Built from a working copy, installed elsewhere: does the demonstration run from an empty
    folder, as an unprivileged user without a home, from a package nobody may write to? On every
    Python at hand, with the newest versions of the dependencies, and on the lowest Python with the
    lowest?
Method
    A wheel is built, a source distribution, and a wheel from that. Each install is made in a fresh
    virtual environment, its package made read-only. Started by root the demonstration runs as
    nobody, or, where nobody may run the interpreter, as root without its rights over files. Lowest
    versions are those that ``uv`` finds
    with ``--resolution lowest-direct``. With ``--quick`` the wheel alone is unpacked beside this
    interpreter's own libraries. ``--python`` names interpreters (default: ``python3.11`` to
    ``python3.13``, those that are there), ``--lowest`` asks for the lowest versions only.
Expected answer
    Every row ends with status 0 or 1 (done, or done with a reservation), the same hash of the
    sources and the same mass to a kilogram.
Source
    Our own question.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tempfile
import time
import zipfile
from pathlib import Path
from typing import Any

import harness
import pandas as pd

ROOT = Path(__file__).resolve().parents[1]
NOBODY = 65534
WRITTEN = ("summary.json", "estimates.csv", "advice.json", "schedule.toml", "report.html")
IN_WHEEL = ("loadlearn/LICENSE", "loadlearn/CITATION.cff", "loadlearn/CHANGELOG.md")
LIBRARIES = ("numpy", "pandas", "numba")


def run(*command: Any, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run a command; what it said is shown where it fails."""
    words = [str(one) for one in command]
    done = subprocess.run(words, capture_output=True, text=True, check=False, **more)
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(words)}\n{done.stdout[-2000:]}{done.stderr[-4000:]}")
    return done


def environment(place: Path, python: str = sys.executable) -> Path:
    """A fresh virtual environment; its interpreter."""
    run(python, "-m", "venv", place)
    return place / "bin" / "python"


def works(python: str) -> bool:
    """Whether an interpreter of that name is there, and is no stand-in for one."""
    try:
        return subprocess.run([python, "-c", "import venv"], capture_output=True).returncode == 0
    except OSError:
        return False


def build(place: Path) -> tuple[Path, Path]:
    """Wheel and source distribution; the wheel built from the latter must be the same."""
    builder = environment(place / "builder")
    run(builder, "-m", "pip", "install", "-q", "hatchling>=1.27")
    source = place / "source"
    kept = shutil.ignore_patterns(".*", "results", "build", "dist", "__pycache__")
    shutil.copytree(ROOT, source, ignore=kept)
    for target in ("sdist", "wheel"):
        run(builder, "-m", "hatchling", "build", "-t", target, "-d", place / "dist", cwd=source)
    (sdist,) = (place / "dist").glob("*.tar.gz")
    (wheel,) = (place / "dist").glob("*.whl")
    with tarfile.open(sdist) as archive:
        archive.extractall(place / "unpacked", filter="data")
    (again,) = (place / "unpacked").iterdir()
    run(builder, "-m", "hatchling", "build", "-t", "wheel", "-d", place / "again", cwd=again)
    if contents(wheel) != contents(next((place / "again").glob("*.whl"))):
        raise SystemExit("the wheel built from the source distribution is another one")
    names = contents(wheel)
    missing = [name for name in IN_WHEEL if name not in names]
    licences = [name for name in names if ".dist-info/licenses/" in name]
    if missing or not licences:
        raise SystemExit(f"the wheel lacks {missing or 'the text of its licence'}")
    return wheel, sdist


def contents(wheel: Path) -> dict[str, str]:
    """Hash of every file of a wheel."""
    with zipfile.ZipFile(wheel) as archive:
        return {
            one: hashlib.sha256(archive.read(one)).hexdigest()
            for one in archive.namelist()
            if not one.endswith("/RECORD")
        }


def install(place: Path, what: Path, python: str, lowest: bool) -> Path:
    """Install into a fresh virtual environment; its interpreter."""
    own = environment(place / "env", python)
    if lowest:
        tool = environment(place / "tool")
        run(tool, "-m", "pip", "install", "-q", "uv")
        uv = [place / "tool" / "bin" / "uv", "pip", "install", "-q", "--python", own]
        run(*uv, "--resolution", "lowest-direct", what)
    else:
        run(own, "-m", "pip", "install", "-q", what)
    return own


def unprivileged(python: Path) -> tuple[str, list[str], dict[str, Any]]:
    """Words, a prefix and options with which an interpreter runs without rights over files."""
    if os.geteuid() != 0:
        return "this user", [], {}
    nobody: dict[str, Any] = {"user": NOBODY, "group": NOBODY, "extra_groups": []}
    try:
        subprocess.run([python, "-c", "import ssl"], check=True, capture_output=True, **nobody)
        return "nobody", [], nobody
    except (OSError, subprocess.CalledProcessError):
        limited = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search,-fowner"]
        return "root, no file rights", limited, {}


def borrowed() -> Path:
    """This interpreter, or the system's of the same version where only that is nobody's, too."""
    major, minor = sys.version_info[:2]
    choices = [Path(sys.executable), Path(f"/usr/bin/python{major}.{minor}")]
    return next((one for one in choices if unprivileged(one)[0] == "nobody"), choices[0])


def demo(place: Path, python: Path, figure: bool, **more: str) -> dict[str, Any]:
    """Run the demonstration without privileges, from an empty folder, and read what it found."""
    folder = place / "empty"
    folder.mkdir()
    words, prefix, who = unprivileged(python)
    if "user" in who:
        os.chown(folder, NOBODY, NOBODY)
    surroundings = {"PATH": os.environ["PATH"], "HOME": "/nonexistent", "LANG": "C.UTF-8", **more}
    start = time.perf_counter()
    command = [*prefix, python, "-m", "loadlearn", "demo", *([] if figure else ["--no-figure"])]
    done = run(*command, cwd=folder, env=surroundings, **who)
    seconds = time.perf_counter() - start
    out = folder / "demo-out"
    missing = [name for name in WRITTEN if not (out / name).is_file()]
    if missing:
        raise SystemExit(f"the demonstration did not write {missing}:\n{done.stdout}{done.stderr}")
    found = json.loads((out / "summary.json").read_text())
    made = json.loads((out / "provenance.json").read_text())
    return {
        "as": words,
        "python": made["versions"]["python"],
        **{name: made["versions"][name] for name in LIBRARIES},
        "status": done.returncode,
        "mass (kg)": round(found["mass_kg"]["mean"], 1),
        "sd (kg)": round(found["mass_kg"]["sd"], 1),
        "sources": made["sources"],
        "seconds": round(seconds),
    }


def read_only(folder: Path) -> None:
    """Take away everybody's right to write."""
    for path in [folder, *folder.rglob("*")]:
        if not path.is_symlink():
            path.chmod(path.stat().st_mode & ~0o222 | 0o444 | (0o111 if path.is_dir() else 0))


def writable(folder: Path) -> None:
    """Give it back to the owner, so that it can be removed."""
    for path in [folder, *folder.rglob("*")]:
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o755)


def main() -> int:
    """Build, install, run, and compare."""
    made = harness.parser(__doc__, seeds=1, quick_seeds=1)
    made.add_argument("--python", action="append", metavar="NAME", help="an interpreter")
    made.add_argument("--lowest", action="store_true", help="lowest dependency versions only")
    chosen = harness.parse(made)
    pythons = chosen.python or [f"python3.{minor}" for minor in (11, 12, 13)]
    pythons = [one for one in pythons if works(one)]
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        place.chmod(0o755)
        wheel, sdist = build(place)
        if chosen.quick:
            site = place / "site"
            run(
                *(sys.executable, "-m", "pip", "install", "-q", "--no-deps"),
                *("--target", site, wheel),
            )
            read_only(site)
            beside = sysconfig.get_path("purelib")
            found = demo(place, borrowed(), False, PYTHONPATH=f"{site}{os.pathsep}{beside}")
            rows.append({"installed": "wheel, unpacked", **found})
            writable(site)
        else:
            kinds = [("wheel, lowest", wheel, True)]
            if not chosen.lowest:
                kinds = [("wheel", wheel, False), ("sdist", sdist, False), *kinds]
            for python in pythons:
                for words, what, lowest in kinds:
                    if lowest and python != pythons[0]:
                        continue  # wheels as old as that are for the oldest Python only
                    here = place / f"{python}-{len(rows)}"
                    here.mkdir()
                    own = install(here, what, python, lowest)
                    read_only(here / "env")
                    rows.append({"installed": words, **demo(here, own, True)})
                    print(rows[-1], file=sys.stderr)
                    writable(here / "env")
    table = pd.DataFrame(rows)
    harness.write(chosen, "install_anywhere", table)
    masses = table["mass (kg)"]
    return int(table["sources"].nunique() > 1 or masses.max() - masses.min() > 1.0)


if __name__ == "__main__":
    raise SystemExit(main())
