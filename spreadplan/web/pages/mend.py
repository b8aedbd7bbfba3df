"""One row that has a problem, in a form: put right or taken out, without an editor of files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.errors import Problem
from spreadplan.schema.columns import Table
from spreadplan.web.addresses import number_of
from spreadplan.web.files.edits import Change, Edit, Refused, Remove, table_of
from spreadplan.web.files.store import StoredRow
from spreadplan.web.visits import Visit, action, page

RECORDED = ("discharge_tests", "weighings")
"""Tables that whoever records tests may correct; all others are the planner's."""


@dataclass(frozen=True)
class _Cell:
    """One field of the form."""

    column: str
    meaning: str
    value: str
    faults: tuple[str, ...]


def mend(visit: Visit) -> Response:
    """The row with what is wrong with it."""
    file, table = _table(visit, visit.query("file"))
    row = _row(visit, file, number_of(visit.query("row")))
    known = [p for p in visit.site.computed.left_out() if (p.file, p.row) == (file, row.row)]
    return _form(visit, file, table, row, row.values, known)


def save_mended(visit: Visit) -> Response:
    """Write what was changed in the row, or take the row out."""
    file, table = _table(visit, visit.field("file"))
    row = _row(visit, file, number_of(visit.field("row")), visit.field("mark"))
    typed = {name: visit.field(f"cell-{name}", old) for name, old in row.values.items()}
    out = visit.field("do") == "take out"
    changed = {name: new for name, new in typed.items() if new != row.values[name]}
    edit: Edit = (
        Remove(file, row.row, row.mark) if out else Change(file, row.row, row.mark, changed)
    )
    what = f"{file}, row {row.row}: {'taken out' if out else 'put right'}"
    try:
        visit.site.store.apply([edit], visit.who, what)
    except Refused as error:
        return _form(visit, file, table, row, typed, error.problems, 422)
    return visit.go_to("/")


def _table(visit: Visit, file: str) -> tuple[str, Table]:
    try:
        table, _ = table_of(file)
    except ValueError:
        raise HTTPException(404, "There is no such file.") from None
    needed = "record" if table.name in RECORDED else "plan"
    if not visit.can(needed):
        raise HTTPException(403, f"This needs an account that may {needed}.")
    return file, table


def _row(visit: Visit, file: str, number: int | None, mark: str = "") -> StoredRow:
    """The row of this number; where a mark is given, the row as it was shown."""
    found = next((row for row in visit.site.store.rows(file) if row.row == number), None)
    if found is None or (mark and found.mark != mark):
        raise HTTPException(409, "This row was changed meanwhile. Look at the start page again.")
    return found


def _form(
    visit: Visit,
    file: str,
    table: Table,
    row: StoredRow,
    values: Mapping[str, str],
    problems: Sequence[Problem],
    status: int = 200,
) -> Response:
    meanings = {name: one.meaning for one in table.columns for name in one.spellings()}
    cells = [
        _Cell(
            name,
            meanings.get(name, ""),
            value,
            tuple(_words(p) for p in problems if _about(p, file, row, name)),
        )
        for name, value in values.items()
    ]
    placed = {text for cell in cells for text in cell.faults}
    others = [f"{p.file}, row {p.row}: {_words(p)}" for p in problems if _words(p) not in placed]
    return visit.render(
        "web/mend.html",
        status,
        file=file,
        row=row,
        cells=cells,
        others=others,
        raw=visit.site.store.text_of(file, row.row),
        refused=status != 200,
        what=table.meaning,
    )


def _about(problem: Problem, file: str, row: StoredRow, column: str) -> bool:
    return (problem.file, problem.row, problem.column) == (file, row.row, column)


def _words(problem: Problem) -> str:
    return f"{problem.what}; {problem.remedy}"


ROUTES: list[Any] = [
    page("/mend", mend, role="record"),
    action("/mend", save_mended, role="record", name="save_mended"),
]
