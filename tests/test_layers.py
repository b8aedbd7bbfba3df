"""Data flows one way: a room imports only the rooms that stand before it."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "spreadplan"
#: each room and the rooms it may import, besides itself
BASE = {"units", "errors", "frames", "schema"}
WRITING = {"places", "durable", "journal"}
COMPUTING = ["calibration", "planning", "reconcile", "season"]
ALLOWED = {
    "units": set(),
    "errors": set(),
    "frames": set(),
    "resources": set(),
    "schema": {"units", "errors"},
    "places": {"errors"},
    "durable": set(),
    "journal": {"places", "durable"},
    "workspace": BASE | {"places"},
    **{room: BASE | set(COMPUTING[:place]) for place, room in enumerate(COMPUTING)},
    "results": BASE | WRITING | {*COMPUTING},
    "reports": BASE | {*COMPUTING, "resources"},
    "runs": BASE | {*COMPUTING, "resources", "workspace", "results", "reports"},
    "web": BASE | WRITING | {"resources", "workspace", "results", "reports", "runs"},
    "cli": {"errors", "runs", "web"},
}


def imports(path: Path) -> set[str]:
    """Rooms of the package that a module imports, at its top or inside a function."""
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text())):
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
    return any(isinstance(one, ast.Name) and one.id in ("compiled", "inlined")
               for one in node.decorator_list)  # fmt: skip


def test_modules_and_functions_stay_short():
    long = []
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text()
        if text.count("\n") > 600:
            long.append(f"{path.name}: {text.count(chr(10))} lines")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef) and node.end_lineno:
                size = node.end_lineno - node.body[0].lineno + 1
                if size > (110 if is_kernel(node) else 60):
                    long.append(f"{path.name}:{node.name}: {size} lines")
    assert long == []
