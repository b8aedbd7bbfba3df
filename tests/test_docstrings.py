"""What rooms offer to one another says what it takes, gives and refuses, in numpydoc sections."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from spreadplan.units import RATE_SUFFIXES, SUFFIXES

PACKAGE = Path(__file__).parents[1] / "spreadplan"
ROOMS = ("calibration", "planning", "matching", "reconcile", "season")
TITLES = ("Parameters", "Returns", "Yields", "Raises")

#: ends of names that tell a unit: those of the columns, and what is common beside them
ENDS = {end for suffixes in (*SUFFIXES.values(), RATE_SUFFIXES) for end in suffixes}
ENDS |= {"pct", "deg", "mps", "rad", "dof", "per_min", "per_ton", "miles", "hours", "days"}
#: words that tell a unit in a description, or that a number has none
UNIT = re.compile(
    r"%|\b(percent|lb|gal|gallons|tons?|miles?|mi|inches|feet|metres|seconds|minutes|hours|days|mph"
    r"|lb/\w+|degrees|unit|relative|share|fraction|ratio|number|probability|in words)\b"
)
TAKES = re.compile(rf"from spreadplan(\.({'|'.join(ROOMS)})\b.*)? import")
SHAPE = re.compile(r"shape|broadcast|scalar|index of")

Function = ast.FunctionDef


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


def body_of(module: str) -> list[ast.stmt]:
    """The statements of a module or a package, by its full name; none where there is none."""
    place = PACKAGE.parent / module.replace(".", "/")
    files = (place.with_suffix(".py"), place / "__init__.py")
    return next((parsed(one).body for one in files if one.exists()), [])


def defined(module: str, name: str) -> tuple[str, Function] | None:
    """Where a name that a module offers is defined, through what packages hand on."""
    for node in body_of(module):
        if isinstance(node, ast.FunctionDef) and node.name == name:
            return module, node
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("spreadplan."):
            for one in node.names:
                if (one.asname or one.name) == name:
                    return defined(node.module or "", one.name)
    return None


def asked_for(tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Modules and names that a module takes from rooms: imported, or as part of one imported."""
    whole: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("spreadplan"):
            for one in node.names:
                yield node.module or "", one.name
                whole[one.asname or one.name] = f"{node.module}.{one.name}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield whole.get(node.value.id, ""), node.attr


def offered(room: str) -> list[str]:
    """What the package of a room names in ``__all__``."""
    return [
        name
        for node in body_of(f"spreadplan.{room}")
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        for name in ast.literal_eval(node.value)
    ]


@cache
def public_functions() -> dict[str, Function]:
    """Functions of the rooms of computation that another room takes, or their package names."""
    asked = {(f"spreadplan.{room}", name) for room in ROOMS for name in offered(room)}
    for path in PACKAGE.rglob("*.py"):
        own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if not TAKES.search(path.read_text()):
            continue
        for module, name in asked_for(parsed(path)):
            _, room, *_ = [*module.split("."), "", ""]
            if room in ROOMS and room != own and not name.startswith("_"):
                asked.add((module, name))
    found = [defined(module, name) for module, name in asked]
    return {f"{module}.{node.name}": node for module, node in filter(None, found)}


def sections(text: str) -> dict[str, str]:
    """The text of each section by its title; a title is underlined to its length."""
    found: dict[str, list[str]] = {}
    lines, body = text.splitlines(), []
    for number, line in enumerate(lines):
        below = lines[number + 1] if number + 1 < len(lines) else ""
        if line in TITLES and below == "-" * len(line):
            body = found[line] = []
        elif not (body == [] and set(line) == {"-"}):
            body.append(line)
    return {title: "\n".join(body).strip() for title, body in found.items()}


def described(section: str) -> dict[str, str]:
    """What a section says of each name: lines ``a, b : text`` with what is indented below."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if line and not line.startswith(" "):
            before, colon, line = line.partition(" : ")
            names = [name.strip().lstrip("*") for name in before.split(",")] if colon else []
        for name in names:
            found[name] = f"{found.get(name, '')} {line.strip()}".strip()
    return found


def lacks(name: str, annotation: str, text: str) -> list[str]:
    """What a description of a number, of numbers or of a table leaves open."""
    array = re.search(r"\b(FloatArray|Floats|ndarray|NDArray|Any|Series)\b", annotation)
    number = re.search(r"\b(float|float64|FloatArray|Floats|Any)\b", annotation)
    wrong = []
    if number and "Callable" not in annotation:
        ends = any(name == end or name.endswith(f"_{end}") for end in ENDS)
        wrong += [] if ends or UNIT.search(text) else ["no unit"]
    if array and not SHAPE.search(text):
        wrong.append("no shape")
    if "DataFrame" in annotation and not re.search(r"`\w|[a-z]_[a-z]", text):
        wrong.append("no columns")
    return wrong


def raised(node: Function) -> set[str]:
    """Names of the exceptions that a function's own lines raise."""
    return {
        ast.unparse(one.exc.func if isinstance(one.exc, ast.Call) else one.exc)
        for one in ast.walk(node)
        if isinstance(one, ast.Raise) and one.exc
    }


def faults(node: Function) -> list[str]:
    """What is wrong with the docstring of a function."""
    text = ast.get_docstring(node) or ""
    parts = sections(text)
    plain = [line for line in text.splitlines() if line.strip() in TITLES]
    wrong = [] if len(plain) == len(parts) else ["a title without its underline"]
    order = [title for title in TITLES if title in parts]
    wrong += [] if list(parts) == order else ["sections out of order"]

    given = node.args
    taken = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    taken += [one for one in (given.vararg, given.kwarg) if one]
    said = described(parts.get("Parameters", ""))
    wrong += [f"{name} is no parameter" for name in sorted(set(said) - {one.arg for one in taken})]
    for one in taken:
        annotation = ast.unparse(one.annotation) if one.annotation else ""
        if said.get(one.arg):
            open_ = lacks(one.arg, annotation, said[one.arg])
            wrong += [f"{one.arg}: {fault}" for fault in open_]
        else:
            wrong.append(f"{one.arg} is not described")

    returns = ast.unparse(node.returns) if node.returns else "None"
    title = "Yields" if re.match(r"(Iterator|Generator)\b", returns) else "Returns"
    if returns != "None":
        said_of_it = parts.get(title, "")
        wrong += [f"{title}: {fault}" for fault in lacks(node.name, returns, said_of_it)]
        wrong += [] if said_of_it else [f"no {title}"]
    named = described(parts.get("Raises", ""))
    wrong += [f"{name} is not under Raises" for name in sorted(raised(node) - set(named))]
    return wrong


def test_what_rooms_offer_is_described_in_sections():
    functions = public_functions()
    wrong = {name: faults(node) for name, node in sorted(functions.items()) if faults(node)}
    assert wrong == {}


def test_functions_are_found_however_they_are_taken():
    names = set(public_functions())
    assert {
        "spreadplan.planning.plan.plan_storm",  # handed on by its package
        "spreadplan.calibration.fit_fleet",  # called as a part of the package
        "spreadplan.calibration.models.between_gates",  # named by its package
        "spreadplan.matching.trace.match_trace",  # imported within a function
        "spreadplan.reconcile.verdicts.why_above",  # by a room of computation
    } <= names
    assert len(names) > 50
    assert "spreadplan.planning.statuses.worst_status" not in names  # only its own room takes it


GOOD = '''
def melted(rate_lb_per_lane_mile: Floats, limit: float, rows: pd.DataFrame) -> Floats:
    """What is melted.

    Parameters
    ----------
    rate_lb_per_lane_mile : shape (n,).
    limit : lb.
    rows : route_id, mass_lb.

    Returns
    -------
    lb, shape (n,).

    Raises
    ------
    ValueError : a negative limit.
    """
    raise ValueError("no")
'''
SPOILT = {
    "    rate_lb_per_lane_mile : shape (n,).\n": (
        "    rate_lb_per_lane_mile : of each row.\n",
        "rate_lb_per_lane_mile: no shape",
    ),
    "limit : lb.": ("limit : not above it.", "limit: no unit"),
    "    limit : lb.\n": ("", "limit is not described"),
    "rows : route_id, mass_lb.": ("rows : those of the plan.", "rows: no columns"),
    "    limit :": ("    limt : lb.\n    limit :", "limt is no parameter"),
    "    lb, shape (n,).": ("    shape (n,).", "Returns: no unit"),
    "    lb, shape (n,).\n": ("\n", "no Returns"),
    "    ValueError :": ("    KeyError :", "ValueError is not under Raises"),
    "    -------\n": ("    ------\n", "a title without its underline"),
}


def test_every_fault_is_seen():
    assert faults(_function(GOOD)) == []
    for before, (after, fault) in SPOILT.items():
        assert GOOD.count(before) == 1, before
        assert fault in faults(_function(GOOD.replace(before, after))), fault


def _function(text: str) -> Function:
    node = ast.parse(text).body[0]
    assert isinstance(node, ast.FunctionDef)
    return node
