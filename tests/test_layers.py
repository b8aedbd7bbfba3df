"""Data flows one way: a room imports only the rooms that stand before it."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "spreadplan"
#: each room and the rooms it may import, besides itself
BASE = {
    "units",
    "errors",
    "frames",
    "schema",
    "remarks",
    "metrology",
    "remembered",
    "materials",
    "buckets",
}
WRITING = {"places", "durable", "journal"}
COMPUTING = ["calibration", "planning", "reconcile", "season"]
ALLOWED = {
    "units": set(),
    "errors": set(),
    "frames": set(),
    "remarks": set(),
    "metrology": set(),
    "remembered": set(),
    "materials": {"units", "frames", "remarks"},
    "buckets": {"frames"},
    "resources": set(),
    "clock": set(),
    "schema": {"units", "errors"},
    "places": {"errors"},
    "durable": set(),
    "journal": {"places", "durable"},
    "compiled": set(),
    "workspace": BASE | {"clock", "places", "journal"},
    "telemetry": BASE | {"compiled", "workspace"},
    "matching": {"compiled"},
    **{room: BASE | set(COMPUTING[:place]) for place, room in enumerate(COMPUTING)},
    "reconcile": BASE | {"compiled", "matching", "calibration", "planning"},
    "weather": BASE | {"workspace", "planning"},
    "results": BASE | WRITING | {*COMPUTING, "matching"},
    "views": BASE | {*COMPUTING},
    "reports": BASE | {*COMPUTING, "resources", "views"},
    "runs": BASE
    | {
        *COMPUTING,
        "clock",
        "durable",
        "journal",
        "places",
        "matching",
        "telemetry",
        "resources",
        "weather",
        "workspace",
        "results",
        "views",
        "reports",
    },
    "web": BASE
    | WRITING
    | {"clock", "resources", "workspace", "telemetry", "results", "views", "reports", "runs"},
    "steps": BASE | {*COMPUTING, "matching"},
    "library": {"errors", *COMPUTING, "reports", "runs", "schema", "views", "workspace"},
    "cli": {"errors", "runs", "web"},
}


@cache
def parsed(path: Path) -> ast.Module:
    """A module as Python reads it, once for all tests."""
    return ast.parse(path.read_text())


def imports(path: Path) -> set[str]:
    """Rooms of the package that a module imports, at its top or inside a function."""
    rooms = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "spreadplan":
                names = [f"spreadplan.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        rooms |= {name.split(".")[1] for name in names if name.startswith("spreadplan.")}
    return rooms


def test_every_import_points_backwards():
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if room == "__init__":
            continue
        beyond = imports(path) - ALLOWED[room] - {room, "__version__"}
        wrong += [f"{path.relative_to(PACKAGE)} imports {name}" for name in sorted(beyond)]
    assert wrong == []


def is_kernel(node: ast.FunctionDef) -> bool:
    """A loop that is compiled: cutting it up costs calls where it is hot."""
    return any(
        isinstance(one, ast.Name) and one.id in ("compiled", "inlined")
        for one in node.decorator_list
    )


def test_modules_and_functions_stay_short():
    long = []
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text()
        if text.count("\n") > 600:
            long.append(f"{path.name}: {text.count(chr(10))} lines")
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.FunctionDef) and node.end_lineno:
                code = node.body[1:] if ast.get_docstring(node) and node.body[1:] else node.body
                size = node.end_lineno - code[0].lineno + 1
                if size > (110 if is_kernel(node) else 60):
                    long.append(f"{path.name}:{node.name}: {size} lines")
    assert long == []


#: figures that stand in one place, and where: coverage, tons, miles, Fahrenheit
FIGURES = re.compile(
    r"(?<![\w.])(1\.96|1\.645|2_?000\.0?|1_?609\.34\d*|5_?280(\.0)?|0\.975|0\.4535\d+|907\.18\d*)"
    r"(?![\w])"
)
HOMES = {"units.py", "metrology.py"}


def test_factors_of_units_and_coverage_stand_in_one_place():
    found = [
        f"{path.relative_to(PACKAGE)}:{number}: {line.strip()}"
        for path in PACKAGE.rglob("*.py")
        if path.name not in HOMES
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if FIGURES.search(line)
    ]
    assert found == []


def test_no_module_imports_a_private_name_of_another():
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("spreadplan"):
                hidden = [one.name for one in node.names if re.match(r"_(?!_)", one.name)]
                wrong += [f"{path.relative_to(PACKAGE)} imports {name}" for name in hidden]
    assert wrong == []


def names_at_top() -> list[tuple[str, str, ast.stmt]]:
    """Public classes and functions of the package: module, name, node."""
    return [
        (str(path.relative_to(PACKAGE)), node.name, node)
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in parsed(path).body
        if isinstance(node, (ast.ClassDef, ast.FunctionDef)) and not node.name.startswith("_")
    ]


#: What starts a program is called so by custom; a command, its step from Python and the work behind
#: both are one thing.
SHARED = {"main", "calibrate", "plan", "reconcile", "season"}


def test_one_name_stands_for_one_thing():
    homes: dict[str, set[str]] = {}
    for module, name, _node in names_at_top():
        homes.setdefault(name, set()).add(module)
    shared = {name: at for name, at in homes.items() if len(at) > 1 and name not in SHARED}
    assert shared == {}


def test_classes_of_many_fields_are_filled_by_name():
    """More than five values in a row are mixed up sooner or later."""
    by_place = []
    for module, name, node in names_at_top():
        assert isinstance(node, (ast.ClassDef, ast.FunctionDef))
        for one in node.decorator_list:
            said = ast.unparse(one)
            if said.startswith("dataclass") and "kw_only=True" not in said:
                fields = [part for part in node.body if isinstance(part, ast.AnnAssign)]
                if len(fields) > 5:
                    by_place.append(f"{module}: {name}")
    assert by_place == []


def test_only_tables_of_numbers_keep_a_layout_of_their_own():
    """The formatter lays out everything else."""
    mark = "# fmt: " + "skip"
    wrong = []
    for path in [*PACKAGE.rglob("*.py"), *PACKAGE.parent.glob("tests/**/*.py")]:
        lines = path.read_text().splitlines()
        marked = [number for number, line in enumerate(lines, 1) if mark in line]
        for number in marked:
            around = [
                node
                for node in ast.walk(parsed(path))
                if isinstance(node, (ast.stmt, ast.expr))
                and node.lineno <= number <= (node.end_lineno or 0)
            ]
            numbers = [
                one.value
                for node in around
                if not isinstance(node, (ast.ClassDef, ast.FunctionDef))
                for one in ast.walk(node)
                if isinstance(one, ast.Constant) and type(one.value) in (int, float)
            ]
            if len(numbers) < 8:
                wrong.append(f"{path.relative_to(PACKAGE.parent)}:{number}")
    assert wrong == []
