"""Files that are dropped in: telemetry of a storm, and tickets. They are streamed to the disk."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import Response
from starlette.routing import BaseRoute

from spreadplan.errors import BadInput, CannotWrite
from spreadplan.schema.tables import TABLES
from spreadplan.telemetry.files import open_telemetry
from spreadplan.views.display import file_name
from spreadplan.web.addresses import number_of
from spreadplan.web.files.edits import Add, in_file_terms
from spreadplan.web.visits import Visit, limited_body, upload
from spreadplan.workspace.csvfile import read_csv
from spreadplan.workspace.parse import Rename, apply_renames
from spreadplan.workspace.tomlfiles import read_renames

ENDINGS = (".csv", ".parquet")
OF_A_STORM = ("loads", "returns")
LARGEST_TICKETS_BYTES = 20 * 1024**2


@dataclass(frozen=True)
class Arrived:
    """A file that is on the disk and does not count yet."""

    draft: Path
    size: int
    mark: str


async def telemetry(visit: Visit) -> Response:
    """Take in a telemetry file of a storm; what it holds is judged when use is worked out."""
    storm, given = _storm(visit), visit.plain_path("name")
    stem, ending = os.path.splitext(given)
    if ending.lower() not in ENDINGS:
        raise HTTPException(415, "Telemetry comes as .csv or .parquet.")
    name = f"{file_name(stem)}{ending.lower()}"
    arrived = await _to_disk(visit, ending.lower())
    try:
        return await run_in_threadpool(_keep_telemetry, visit, storm, name, arrived)
    finally:
        arrived.draft.unlink(missing_ok=True)


def _storm(visit: Visit) -> str:
    storm = visit.path("storm")
    if storm not in visit.site.computed.storms():
        raise HTTPException(404, "There is no such storm.")
    return storm


async def _to_disk(visit: Visit, ending: str) -> Arrived:
    """Stream the body into a draft; nothing stays of one that is too large or breaks off."""
    request, most = visit.request, visit.site.limits.upload_bytes
    too_large = HTTPException(413, f"The file is larger than {most / 1024**2:,.0f} MB.")
    said = number_of(request.headers.get("content-length", ""))
    if said is not None and said > most:
        raise too_large
    draft = visit.site.presence.draft(ending)
    size, digest = 0, sha256()
    try:
        with draft.open("wb") as handle:
            async for part in request.stream():
                size += len(part)
                if size > most:
                    raise too_large
                digest.update(part)
                await run_in_threadpool(handle.write, part)
            handle.flush()
            await run_in_threadpool(os.fsync, handle.fileno())
        if said is not None and size != said:
            raise HTTPException(400, "The file broke off on the way. Send it again.")
    except BaseException as error:
        draft.unlink(missing_ok=True)
        if isinstance(error, ClientDisconnect):
            raise HTTPException(400, "The file broke off on the way. Send it again.") from error
        if isinstance(error, OSError):
            text = f"The file cannot be kept ({error.strerror}); free some space."
            raise CannotWrite(text) from error
        raise
    return Arrived(draft, size, digest.hexdigest())


def _keep_telemetry(visit: Visit, storm: str, name: str, arrived: Arrived) -> Response:
    folder = visit.site.folder
    file = f"storms/{storm}/telemetry/{name}"
    told = {"file": file, "bytes": arrived.size}
    for other in (folder / "storms" / storm / "telemetry").glob("*"):
        if other.stat().st_size == arrived.size and _mark(other) == arrived.mark:
            return visit.json({**told, "file": other.name, "already_there": True})
    renames = _renames(folder, "telemetry")
    timezone = visit.site.computed.settings().timezone
    found, problems = open_telemetry(arrived.draft, name, renames, timezone)
    if found is None:
        raise BadInput(problems)
    entry = visit.site.store.add_file(arrived.draft, file, visit.who, f"telemetry {name} added")
    cautions = [str(problem) for problem in problems]
    return visit.json({**told, "change": entry.number, "cautions": cautions}, 201)


def _renames(folder: Path, table: str) -> Mapping[str, Rename]:
    path = folder / "columns.toml"
    return read_renames(path)[0].get(table, {}) if path.is_file() else {}


def _mark(path: Path) -> str:
    with path.open("rb") as handle:
        digest = sha256()
        while block := handle.read(1 << 20):
            digest.update(block)
        return digest.hexdigest()


async def tickets(visit: Visit) -> Response:
    """Add the rows of a file of tickets to the storm's own; those known stay as they are."""
    table, storm = visit.path("table"), _storm(visit)
    if table not in OF_A_STORM:
        raise HTTPException(404)
    return await _tickets(visit, table, storm)


async def deliveries(visit: Visit) -> Response:
    """Add delivery tickets; those known stay as they are."""
    return await _tickets(visit, "deliveries", "")


async def _tickets(visit: Visit, table: str, storm: str) -> Response:
    body = await limited_body(visit.request, LARGEST_TICKETS_BYTES)
    return await run_in_threadpool(_add_tickets, visit, table, storm, body)


def _add_tickets(visit: Visit, table: str, storm: str, body: bytes) -> Response:
    file = f"storms/{storm}/{TABLES[table].file}" if storm else TABLES[table].file
    edits, ignored = _edits(visit, table, file, body)
    known = _known(visit, file)
    new = [edit for edit in edits if _cells(visit.site.folder, edit, known.names) not in known.rows]
    told = {"added": len(new), "already_there": len(edits) - len(new), "ignored": ignored}
    if not new:
        return visit.json({**told, "change": 0})
    what = f"{len(new)} rows of {TABLES[table].file} added"
    entry = visit.site.store.apply(new, visit.who, what)
    return visit.json({**told, "change": entry.number}, 201)


def _edits(visit: Visit, table: str, file: str, body: bytes) -> tuple[list[Add], list[str]]:
    """A row to add for each row of the file that was sent, and the columns that nobody knows."""
    draft = visit.site.presence.draft(".csv")
    try:
        draft.write_bytes(body)
        raw, problems = read_csv(draft, "the file sent")
    finally:
        draft.unlink(missing_ok=True)
    if raw is None or problems:
        raise BadInput(problems)
    renames = _renames(visit.site.folder, table)
    ours = apply_renames(raw.cells.columns, TABLES[table], renames)
    spelled = {name for column in TABLES[table].columns for name in column.spellings()}
    kept = [name for name, to in ours.items() if to in spelled]
    if not kept:
        raise HTTPException(422, f"None of its columns belongs to {TABLES[table].file}.")
    rows = raw.cells[kept].itertuples(index=False, name=None)
    edits = [Add(file, dict(zip([ours[n] for n in kept], row, strict=True))) for row in rows]
    return edits, [name for name in ours if name not in kept]


@dataclass(frozen=True)
class _Known:
    names: Sequence[str]
    rows: set[frozenset[tuple[str, str]]]


def _known(visit: Visit, file: str) -> _Known:
    text = visit.site.store.read(file)
    if text is None:
        return _Known((), set())
    rows = (text.values(record) for record in text.records if record.cells)
    return _Known(text.names, {_given(row.items()) for row in rows})


def _cells(folder: Path, edit: Add, names: Sequence[str]) -> frozenset[tuple[str, str]]:
    return _given(in_file_terms(folder, edit, names)[0].items())


def _given(cells: Iterable[tuple[str, str]]) -> frozenset[tuple[str, str]]:
    return frozenset((name, value) for name, value in cells if value)


ROUTES: list[BaseRoute] = [
    upload("/storms/{storm}/telemetry/{name}", telemetry, role="record"),
    upload("/storms/{storm}/tickets/{table}", tickets, role="record"),
    upload("/tickets/deliveries", deliveries, role="record"),
]
