"""Kernels are compiled when first called, and no cache holds yesterday's physics."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import loadlearn
from loadlearn import _compile

PACKAGE = Path(loadlearn.__file__).resolve().parent
CALLER = """from loadlearn._compile import jit
from loadlearn.callee import answer


@jit
def ask(x):
    return answer(x) + 0.5
"""
CALLEE = """from loadlearn._compile import jit


@jit
def answer(x):
    return {factor} * x
"""
ASK = "from loadlearn.caller import ask; print(ask(10.0))"


def run(folder: Path, code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run code with the package found in a folder."""
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), **environment},
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The compiling part of the package, with a kernel that calls another in its own file."""
    package = tmp_path / "copy" / "loadlearn"
    package.mkdir(parents=True)
    for name in ("_compile.py", "errors.py"):
        shutil.copy(PACKAGE / name, package / name)
    (package / "__init__.py").write_text("")
    (package / "caller.py").write_text(CALLER)
    (package / "callee.py").write_text(CALLEE.format(factor="2.0"))
    return tmp_path / "copy"


def test_an_edited_callee_is_noticed(copy: Path, tmp_path: Path) -> None:
    cache = str(tmp_path / "cache")
    first = run(copy, ASK, XDG_CACHE_HOME=cache)
    assert first.stdout.strip() == "20.5", first.stderr
    assert "compiling once" in first.stderr
    again = run(copy, ASK, XDG_CACHE_HOME=cache)
    assert again.stdout.strip() == "20.5" and again.stderr == ""
    # The caller's own file stays as it is: only what it calls is another.
    (copy / "loadlearn" / "callee.py").write_text(CALLEE.format(factor="3.0"))
    edited = run(copy, ASK, XDG_CACHE_HOME=cache)
    assert edited.stdout.strip() == "30.5", edited.stderr
    assert len(list(Path(cache, "loadlearn").iterdir())) == 2


def test_nothing_need_be_writable(copy: Path, tmp_path: Path) -> None:
    # A file stands where the cache folder would be made, no home, and a package that nothing may be
    # written beside: for the superuser permission bits do not bind, so a file takes the place.
    blocked = tmp_path / "blocked"
    blocked.write_text("a file, not a folder")
    (copy / "loadlearn" / "__pycache__").write_text("in the way")
    before = sorted(path.name for path in (copy / "loadlearn").iterdir())
    for variable in ({"XDG_CACHE_HOME": str(blocked)}, {"HOME": "/proc/nonexistent"}):
        environment = {"PYTHONDONTWRITEBYTECODE": "1", "TMPDIR": str(tmp_path), **variable}
        if "HOME" in variable:
            environment["XDG_CACHE_HOME"] = ""
        found = run(copy, ASK, **environment)
        assert found.returncode == 0, found.stderr
        assert found.stdout.strip() == "20.5"
    assert sorted(path.name for path in (copy / "loadlearn").iterdir()) == before


def test_importing_neither_imports_nor_compiles(copy: Path) -> None:
    code = (
        "import sys\nfrom loadlearn.caller import ask\n"
        "print('numba' in sys.modules, ask.py_func.__name__)"
    )
    assert run(copy, code).stdout.strip() == "False ask"


def test_plain_functions_of_the_package_get_a_compiled_twin() -> None:
    """The force balance is plain Python for arrays, and compiled where a kernel calls it."""
    from loadlearn.vehicle.roadload import rolling_coefficient

    kernel = _compile._as_kernel(rolling_coefficient)
    assert isinstance(kernel, _compile.LazyKernel)
    assert kernel is _compile._as_kernel(rolling_coefficient)
    assert kernel(0.012, 0.001, 30.0) == pytest.approx(rolling_coefficient(0.012, 0.001, 30.0))
    assert _compile._as_kernel(len) is None


def test_the_hash_follows_every_source(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_compile, "_PACKAGE", copy / "loadlearn")
    before = _compile.sources_hash()
    assert before == _compile.sources_hash() and len(before) == 16
    (copy / "loadlearn" / "new.py").write_text("x = 1\n")
    assert _compile.sources_hash() != before
