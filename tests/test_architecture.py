"""The shape of the package: imports flow one way, names are documented, the README is true."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

import loadlearn

PACKAGE = Path(loadlearn.__file__).resolve().parent
ROOT = Path(__file__).resolve().parents[1]

# From the ground up. A unit (a module or a subpackage) may import what stands before it, and what
# has no fixed place as long as no circle closes.
ORDER = (
    "errors",
    "described",
    "_compile",
    "runner",
    "vehicle",
    "log",
    "estimation",
    "policy",
    "simulation",
    "study",
    "step_export",
    "dyno",
    "condition",
    "memory",
    "file_schemas",
    "figures",
    "report",
    "fleet",
    "commands",
    "cli",
)
DRAWS = {"figures", "report"}
SPEAKS = {"commands", "cli", "__main__"}


def sources() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def unit_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imported(path: Path) -> set[str]:
    """Names of the modules that a file imports when it runs, wherever the statement stands."""
    found: set[str] = set()
    for node in _running_nodes(parsed(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module)
            if node.module == "loadlearn":
                found |= {f"loadlearn.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            pytest.fail(f"{path}: a relative import; write it out")
    return found


def _running_nodes(tree: ast.AST) -> list[ast.AST]:
    nodes: list[ast.AST] = []
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            continue
        nodes += [child, *_running_nodes(child)]
    return nodes


def units_imported(path: Path) -> set[str]:
    names = {name.split(".")[1] for name in imported(path) if name.startswith("loadlearn.")}
    return {
        name for name in names if (PACKAGE / name).is_dir() or (PACKAGE / f"{name}.py").exists()
    }


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_flow_one_way(path: Path) -> None:
    unit = unit_of(path)
    if unit not in ORDER:
        return
    later = set(ORDER[ORDER.index(unit) + 1 :])
    assert not units_imported(path) & later, f"{unit} may not import what stands above it"


def modules_imported(path: Path) -> set[Path]:
    """Files of the package that a file imports, a room's own front door left out."""
    found = set()
    for node in _running_nodes(parsed(path)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("loadlearn"):
            home = PACKAGE.joinpath(*node.module.split(".")[1:])  # type: ignore[union-attr]
            inside = {home / f"{alias.name}.py" for alias in node.names}
            found |= {one for one in inside if one.exists()} or {home.with_suffix(".py")}
    return {one for one in found if one.exists()} - {path}


def test_no_circle_of_imports() -> None:
    needs = {path: modules_imported(path) for path in sources() if path.name != "__init__.py"}
    while needs:
        free = {path for path, on in needs.items() if not on & set(needs)}
        assert free, f"a circle of imports among {sorted(str(path) for path in needs)}"
        for path in free:
            del needs[path]


def test_file_names_are_unique() -> None:
    names = [path.name for path in sources() if path.name not in ("__init__.py", "__main__.py")]
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_only_commands_print_and_only_figures_draw(path: Path) -> None:
    unit = unit_of(path)
    roots = {name.split(".")[0] for name in imported(path)}
    if unit not in SPEAKS:
        assert not roots & {"typer", "rich", "click"}
        for node in ast.walk(parsed(path)):
            name = getattr(getattr(node, "func", None), "id", None)
            assert name != "print", f"line {node.lineno} prints"  # type: ignore[attr-defined]
    if unit not in DRAWS:
        assert not roots & {"matplotlib"}


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_public_names_have_docstrings(path: Path) -> None:
    tree = parsed(path)
    if tree.body:
        assert ast.get_docstring(tree), "the module has no docstring"
    for node in tree.body:
        _assert_documented(node)
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for member in node.body:
                _assert_documented(member)


def _assert_documented(node: ast.stmt) -> None:
    if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
        assert ast.get_docstring(node), f"{node.name} (line {node.lineno}) has no docstring"


@pytest.mark.parametrize("name", loadlearn.__all__)
def test_docstrings_of_the_public_names_name_every_argument(name: str) -> None:
    thing = getattr(loadlearn, name)
    functions = [thing]
    if inspect.isclass(thing) and not issubclass(thing, Exception):
        functions = [
            member.__func__ if isinstance(member, classmethod | staticmethod) else member
            for key, member in vars(thing).items()
            if not key.startswith("_")
            and (inspect.isfunction(member) or isinstance(member, classmethod | staticmethod))
        ]
    for function in functions:
        if not inspect.isfunction(function):
            continue
        doc = inspect.getdoc(function) or ""
        parameters = [
            key for key in inspect.signature(function).parameters if key not in ("self", "cls")
        ]
        section = doc.partition("Parameters\n----------")[2]
        for parameter in parameters:
            pattern = rf"^(?:[\w*]+, )*\**{parameter}(?:, [\w*]+)* ?(:|$)"
            assert re.search(pattern, section, re.M), f"{function.__qualname__}: {parameter}"
        returns = inspect.signature(function).return_annotation
        if returns not in (None, "None", inspect.Signature.empty):
            assert "Returns\n-------" in doc or "Yields\n------" in doc, function.__qualname__


def test_importing_the_package_and_asking_for_help_import_nothing_heavy() -> None:
    script = (
        "import sys\n"
        "import loadlearn, loadlearn.cli\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'numba', 'matplotlib', 'sklearn', 'pyarrow', "
        "'pydantic', 'joblib', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def _requirement(text: str) -> str:
    return re.split(r"[<>=!~\[ ;]", text, maxsplit=1)[0]


def test_the_readme_explains_exactly_the_dependencies() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## What it stands on")[2].partition("\n## ")[0]
    explained = re.findall(r"^- `([\w-]+)`: \S", section, re.M)
    assert sorted(explained) == sorted(_requirement(one) for one in project["dependencies"])
    assert "Apache-2.0" in readme and project["license"] == "Apache-2.0"


def test_version_is_said_once() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert loadlearn.__version__ == project["version"]


def test_the_top_level_is_fixed() -> None:
    done = subprocess.run(
        ["git", "ls-files", "--cached"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode != 0 or not done.stdout:
        pytest.skip("not a working copy")
    top = {name.split("/")[0] for name in done.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= {
        *("README.md", "DEVELOPERS.md", "pyproject.toml"),
        *("loadlearn", "experiments", "tests", "synthetic_data"),
    }


def test_unknown_public_names_are_attribute_errors() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = loadlearn.nothing


def test_completion_shows_what_exists_and_nothing_else() -> None:
    script = (
        "import loadlearn; print(*dir(loadlearn)); [getattr(loadlearn, n) for n in dir(loadlearn)]"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert set(done.stdout.split()) == {*loadlearn.__all__, "__version__"}
    assert set(dir(loadlearn)) == {*loadlearn.__all__, "__version__"}


SECTIONS = (
    *("Parameters", "Returns", "Yields", "Raises", "Warns", "Attributes"),
    *("See Also", "Notes", "References", "Examples"),
)


@pytest.mark.parametrize("name", loadlearn.__all__)
def test_sections_of_the_public_names_are_numpydocs(name: str) -> None:
    """Names, underlines and order as in numpydoc's style guide (from memory)."""
    thing = getattr(loadlearn, name)
    if not callable(thing):
        return
    members = [thing]
    if inspect.isclass(thing):
        members += [one for key, one in inspect.getmembers(thing) if not key.startswith("_")]
    for member in members:
        if not (inspect.isclass(member) or inspect.isroutine(member)):
            continue
        if not getattr(member, "__module__", "").startswith("loadlearn"):
            continue  # inherited from a library
        lines = (inspect.getdoc(member) or "").splitlines()
        assert lines and lines[0].endswith(".") and (len(lines) == 1 or not lines[1]), member
        headed = [at for at, line in enumerate(lines) if at and re.fullmatch(r"-{3,}", line)]
        found = [lines[at - 1] for at in headed]
        assert set(found) <= set(SECTIONS), member
        assert found == sorted(found, key=SECTIONS.index), member
        for at in headed:
            assert len(lines[at]) == len(lines[at - 1]) and not lines[at - 2], member
