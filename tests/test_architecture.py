"""Rules of the house that a machine can check: floors, cycles, compiled code, docstrings, words."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "src" / "throttlewright"

FLOORS = [
    {"foundation"},
    {"physics"},
    {"build"},
    {"car", "calibration", "recording"},
    {"drive"},
    {"design"},
    {"prove", "logs"},
    {"garage", "handover"},
    {"workshop"},
    {"web"},
    {"cli"},
]
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
DOCUMENTED = (
    "foundation",
    "physics",
    "build",
    "car",
    "calibration",
    "recording",
    "drive",
    "design",
)


def sources() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__main__.py")


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
    return {name for name in found if name.startswith("throttlewright")}


def room(name: str) -> str | None:
    parts = name.split(".")
    return parts[1] if len(parts) > 1 and parts[1] in LEVEL else None


def test_imports_go_down_the_floors_only() -> None:
    wrong = []
    for path in sources():
        here = room(module_name(path))
        if here is None:
            continue
        for name in imports(path):
            there = room(name)
            if there is None or there == here:
                continue
            if LEVEL[there] >= LEVEL[here]:
                wrong.append(f"{module_name(path)} imports {name}")
    assert not wrong, wrong


def test_doors_reach_the_house_through_workshop_only() -> None:
    allowed = {"cli", "web", "workshop", "foundation"}
    wrong = [
        f"{module_name(path)} imports {name}"
        for path in sources()
        if room(module_name(path)) in {"cli", "web"}
        for name in imports(path)
        if room(name) not in allowed and room(name) is not None
    ]
    assert not wrong, wrong


def test_there_is_no_import_cycle() -> None:
    names = {module_name(path): path for path in sources()}
    graph = {name: {i for i in imports(path) if i in names} for name, path in names.items()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail[trail.index(name) :], name))
        if name in done:
            return
        for other in sorted(graph[name] - {name}):
            visit(other, (*trail, name))
        done.add(name)

    for name in sorted(graph):
        visit(name, ())


def test_compiled_code_goes_through_one_door() -> None:
    door = PACKAGE / "foundation" / "compiled.py"
    for path in sources():
        if path != door:
            text = path.read_text(encoding="utf-8")
            assert not re.search(r"^\s*(import numba|from numba)", text, re.MULTILINE), path


def test_kernels_are_only_on_compiled_floors() -> None:
    from throttlewright.foundation.compiled import COMPILED_FLOORS

    for path in sources():
        if re.search(r"^@kernel", path.read_text(encoding="utf-8"), re.MULTILINE):
            assert room(module_name(path)) in COMPILED_FLOORS, path


def test_calls_of_kernels_name_their_physical_parameters() -> None:
    """Compiled functions cannot force keywords, so plain Python must use them by rule."""
    kernels: set[str] = set()
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sources()}
    for tree in trees.values():
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and _is_kernel(node):
                kernels.add(node.name)
    wrong = []
    for path, tree in trees.items():
        compiled = [
            (node.lineno, node.end_lineno or node.lineno)
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef) and _is_kernel(node)
        ]
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            inside = any(first <= node.lineno <= last for first, last in compiled)
            if node.func.id in kernels and not inside and len(node.args) > 2:
                wrong.append(f"{path.name}:{node.lineno} {node.func.id}")
    assert not wrong, wrong


def _is_kernel(node: ast.FunctionDef) -> bool:
    return any(isinstance(d, ast.Name) and d.id == "kernel" for d in node.decorator_list)


def _public_functions() -> list[tuple[str, object]]:
    found = []
    for path in sources():
        if room(module_name(path)) not in DOCUMENTED:
            continue
        module = import_module(module_name(path))
        for name in getattr(module, "__all__", []):
            thing = getattr(module, name)
            function = getattr(thing, "py_func", thing)
            if inspect.isfunction(function) and function.__module__ == module.__name__:
                found.append((f"{module.__name__}.{name}", function))
    return found


FUNCTIONS = _public_functions()


@pytest.mark.parametrize(("name", "function"), FUNCTIONS, ids=[n for n, _ in FUNCTIONS])
def test_docstring_agrees_with_signature(name: str, function: object) -> None:
    doc = inspect.getdoc(function) or ""
    assert doc, f"{name} has no docstring"
    parameters = list(inspect.signature(function).parameters)  # type: ignore[arg-type]
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", doc, re.M | re.S)
    written: list[str] = []
    if section:
        for line in section.group(1).splitlines():
            match = re.match(r"^(\*{0,2}\w[\w, *]*) : (.*)$", line)
            if match:
                names = [part.strip().lstrip("*") for part in match.group(1).split(",")]
                written.extend(names)
                if re.match(r"^(float|int|ndarray)\b", match.group(2)):
                    assert "[" in match.group(2) or room(name) in {"foundation", "build"}, (
                        f"{name}: {line.strip()} has no unit"
                    )
    hints = getattr(function, "__annotations__", {})
    numeric = any(re.search(r"float|int|ndarray", str(hints.get(p, ""))) for p in parameters)
    if section or numeric:
        assert written == parameters, f"{name}: documented {written}, takes {parameters}"


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_exports_are_sorted_and_exist(path: Path) -> None:
    module = import_module(module_name(path))
    exported = list(getattr(module, "__all__", []))
    assert exported == sorted(exported, key=_isort_key)
    for name in exported:
        assert hasattr(module, name)


def _isort_key(name: str) -> tuple[int, str]:
    constant = name.isupper()
    return (0 if constant else 1 if name[0].isupper() else 2, name)


def test_no_file_is_much_above_500_lines() -> None:
    tracked = [*sources(), *(ROOT / "tests").rglob("*.py")]
    long = {str(p): n for p in tracked if (n := len(p.read_text("utf-8").splitlines())) > 520}
    assert not long


def test_tracked_files_name_no_registry_host_and_no_machine_path() -> None:
    hosts = r"//[a-z.]*(py" + r"pi|py" + r"thonhosted|npm" + r"js|deb" + r"ian)\.(org|com)"
    paths = r"(^|[^a-z.])/(wor" + r"k|hom" + r"e)/"
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    for name in listed:
        path = ROOT / name
        if path.suffix in {".parquet", ".png"} or not path.is_file():
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        assert not re.search(hosts, text), name
        assert not re.search(paths, text, re.M), name


def test_help_stays_light() -> None:
    code = (
        "import sys\n"
        "from throttlewright.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy','scipy','numba','pint','polars','matplotlib','pyarrow','pydantic'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "HEAVY []" in done.stdout
