"""The workspace's own files, changed by forms: checked, all or nothing, with a history.

A change is made under a lock. The files are read as they are now, the edits are put in, and the
result is read and checked as a command would. Then drafts and the list of moves are stored
(`.history/pending.json`, see `spreadplan.journal`), and the line of the history is written: from
then on the change counts, and the files are put in place. After a crash the next one to open the
store finishes a change that counts, and removes what is left of one that does not.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import shutil
import threading
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from filelock import FileLock, Timeout

from spreadplan.durable import remove_drafts, write_synced
from spreadplan.errors import CannotWrite, Problem
from spreadplan.journal import Journal, NotUnderstood, read_journal, set_aside
from spreadplan.places import inside, own_file, own_folder
from spreadplan.web.files.checking import check_files
from spreadplan.web.files.csvtext import CsvText, mark_of, new_csv, parse_csv
from spreadplan.web.files.edits import (
    Add,
    Change,
    Conflict,
    Edit,
    Remove,
    columns_of,
    in_file_terms,
)
from spreadplan.web.files.history import (
    FOLDER,
    OUTSIDE,
    Entry,
    History,
    RowChange,
    history_entry,
    moment_of_change,
)
from spreadplan.web.work.computed import fingerprint

log = logging.getLogger("spreadplan.web")
SECONDS_TO_WAIT = 20
PENDING = "pending.json"
TRIES = 4


@dataclass(frozen=True)
class StoredRow:
    """A record with what is needed to change it: ``Change(file, row, mark, values)``."""

    row: int
    mark: str
    values: Mapping[str, str]


class InputStore:
    """Reads and changes the CSV files of a workspace."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.history = History(folder)
        self._pending = folder / FOLDER / PENDING
        self._lock = threading.Lock()
        self._state: object = None
        self._hashes: dict[str, tuple[object, str]] = {}
        with suppress(CannotWrite), self._locked():  # where nobody may write, it can still be read
            pass

    # --- reading ---

    def read(self, file: str) -> CsvText | None:
        """A CSV file as it is now; None where it is not there."""
        path = inside(self.folder, file)
        return parse_csv(path.read_bytes(), file) if path.is_file() else None

    def rows(self, file: str) -> list[StoredRow]:
        """The records of a file by the names that the contract gives its columns."""
        text = self.read(file)
        if text is None:
            return []
        names = columns_of(self.folder, file, text.names)
        return [
            StoredRow(
                text.first_row + place,
                record.mark,
                dict(zip(names, text.values(record).values(), strict=True)),
            )
            for place, record in enumerate(text.records)
            if record.cells
        ]

    def text_of(self, file: str, row: int) -> str:
        """A record as it stands in its file, without the line end; "" where there is none."""
        text = self.read(file)
        place = row - text.first_row if text else -1
        if text is None or not 0 <= place < len(text.records):
            return ""
        return text.records[place].text.rstrip("\r\n")

    def changes(self) -> list[Entry]:
        """The history, the oldest first."""
        with self._lock:
            return list(self.history.entries())

    def last_change(self) -> int:
        """The number of the latest change."""
        with self._lock:
            return self.history.last()

    # --- changing ---

    def apply(self, edits: Sequence[Edit], who: str, what: str) -> Entry:
        """Put edits into their files, all or none.

        Raises
        ------
        Conflict : a record that was to change is no longer as it was shown.
        Refused : the files would have a problem that they did not have; nothing was written.
        CannotWrite : the disk, or someone else at work for too long.
        """
        with self._locked():
            return self._apply(edits, who, what, undoes=0)

    def undo(self, number: int, who: str) -> Entry:
        """Take a change back, as a change of its own. Raises Conflict where it cannot be."""
        with self._locked():
            entries = self.history.entries()
            entry = next((entry for entry in entries if entry.number == number), None)
            if entry is None or not (entry.rows or entry.added):
                raise Conflict("There is no such change to take back.")
            if any(other.undoes == number for other in entries):
                raise Conflict("This change was taken back already.")
            if entry.added:
                return self._take_away(entry, who)
            edits = [_inverse(row) for row in reversed(entry.rows)]
            return self._apply(edits, who, f"took back: {entry.what}", undoes=number)

    def add_file(self, draft: Path, file: str, who: str, what: str) -> Entry:
        """Move an uploaded file, already checked, to its name. Raises Conflict where one is."""
        target = inside(self.folder, file)
        with self._locked():
            if target.exists():
                raise Conflict(f"There is a file {file} already.")
            target.parent.mkdir(parents=True, exist_ok=True)
            entry = self._next(who, what)
            return self._commit({}, [(draft, target)], replace(entry, added=(file,)))

    def _take_away(self, entry: Entry, who: str) -> Entry:
        """Put files that were added aside; they are kept in the history's folder."""
        aside = own_folder(self.folder / FOLDER, "taken-back")
        moves = []
        for file in entry.added:
            source = inside(self.folder, file)
            if not source.exists():
                raise Conflict(f"{file} is no longer there.")
            moves.append((source, aside / f"{entry.number}-{source.name}"))
        undone = self._next(who, f"took back: {entry.what}")
        return self._commit({}, moves, replace(undone, undoes=entry.number))

    def _apply(self, edits: Sequence[Edit], who: str, what: str, undoes: int) -> Entry:
        if not edits:
            raise ValueError("there is nothing to change")
        for _ in range(TRIES):
            texts: dict[str, CsvText] = {}
            rows: list[RowChange] = []
            places: dict[tuple[str, int], int] = {}
            hashes = {edit.file: _hash(inside(self.folder, edit.file)) for edit in edits}
            for number, edit in enumerate(edits):
                before = texts.get(edit.file) or self.read(edit.file)
                texts[edit.file], change = self._edited(before, edit)
                rows.append(change)
                places[edit.file, change.row] = number
            new = {file: text.text() for file, text in texts.items()}
            check_files(self.folder, new, places, edits)
            # another program, which knows nothing of the lock, may have saved the file meanwhile
            if all(_hash(inside(self.folder, file)) == mark for file, mark in hashes.items()):
                self._note_outside()
                entry = replace(self._next(who, what), undoes=undoes, rows=tuple(rows))
                return self._commit(texts, [], entry)
        raise CannotWrite("Another program keeps changing these files; nothing was changed.")

    def _edited(self, text: CsvText | None, edit: Edit) -> tuple[CsvText, RowChange]:
        """A file with one edit put in, and what that did."""
        if isinstance(edit, Add):
            if text is None:
                text = new_csv(list(edit.values))
            values, more = in_file_terms(self.folder, edit, text.names)
            text = text.with_columns(more)
            record = text.made(values)
            row = text.first_row + len(text.records)
            return text.with_more([record]), RowChange(edit.file, row, None, text.values(record))
        place = text.find(edit.row, edit.mark) if text else None
        if text is None or place is None:
            now_there = self._at(text, edit.row)
            raise Conflict(f"Row {edit.row} of {edit.file} was changed meanwhile.", edit, now_there)
        old = text.values(text.records[place])
        row = text.first_row + place
        if isinstance(edit, Remove):
            return text.with_record(place, None), RowChange(edit.file, row, old, None)
        values, more = in_file_terms(self.folder, edit, text.names)
        text = text.with_columns(more)
        new = {**dict.fromkeys(text.names, ""), **old, **values}
        old = {name: old.get(name, "") for name in text.names}
        return text.with_record(place, text.made(new)), RowChange(edit.file, row, old, new)

    def _at(self, text: CsvText | None, row: int) -> Mapping[str, str] | None:
        place = row - text.first_row if text else -1
        if text is None or not 0 <= place < len(text.records) or not text.records[place].cells:
            return None
        return text.values(text.records[place])

    # --- putting in place ---

    @contextmanager
    def _locked(self) -> Iterator[None]:
        """Alone with the files, in this process and among all; what a crash left is finished."""
        try:
            place = own_folder(self.folder, FOLDER)
            own_file(self.history.path)
            lock = FileLock(own_file(place / "lock"), timeout=SECONDS_TO_WAIT)
            with self._lock, lock:
                self._note_damage(self._recover())
                self._note_outside()
                yield
        except Timeout:
            raise CannotWrite(
                "Someone else is saving and has not finished; nothing was changed. Try again."
            ) from None
        except OSError as error:
            raise CannotWrite(
                f"The files cannot be written ({error.strerror or error}); nothing was changed."
            ) from error

    def _next(self, who: str, what: str) -> Entry:
        return Entry(number=self.history.last() + 1, at=moment_of_change(), who=who, what=what)

    def _commit(
        self, texts: Mapping[str, CsvText], moves: Sequence[tuple[Path, Path]], entry: Entry
    ) -> Entry:
        """Store drafts and the list of moves, move, and note it down."""
        moves = list(moves)
        hashes = {}
        for file, text in texts.items():
            target = inside(self.folder, file)
            target.parent.mkdir(parents=True, exist_ok=True)
            draft = self.folder / FOLDER / f"draft-{uuid.uuid4().hex[:12]}"
            data = text.text().encode("utf-8")
            write_synced(draft, data, target.stat().st_mode & 0o777 if target.exists() else 0o644)
            moves.append((draft, target))
            hashes[file] = sha256(data).hexdigest()
        for source, target in moves:  # once the change counts, nothing must stop the moves
            for folder in (source.parent, target.parent):
                if not os.access(folder, os.W_OK):
                    raise PermissionError(errno.EACCES, f"{folder.name} does not allow writing")
        entry = replace(entry, hashes=hashes)
        listed = tuple((self._short(source), self._short(target)) for source, target in moves)
        journal = Journal(listed, about={"entry": json.loads(entry.line())})
        journal.write(self._pending, self.folder)
        self.history.append(entry)
        self._finish(journal)
        return entry

    def _short(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()

    def _recover(self) -> list[Problem]:
        """Finish what a crash interrupted, remove what never counted, name what is damaged."""
        place = self.folder / FOLDER
        problems = self.history.mend()
        if self._pending.exists() or self._pending.is_symlink():
            try:
                journal = read_journal(self._pending, self.folder)
                number = _number_of(journal)
            except NotUnderstood as error:
                problems.append(self._put_aside(f"cannot be finished: it {error}"))
            else:
                if self.history.last() >= number:
                    self._finish(journal)
                elif problems:  # the line that made it count may be the damaged one
                    problems.append(self._put_aside("may have counted or not"))
                else:
                    self._pending.unlink()
        remove_drafts(self._pending)
        for pattern in ("draft-*", "check-*"):
            for left in place.glob(pattern):
                shutil.rmtree(left) if left.is_dir() and not left.is_symlink() else left.unlink()
        return problems

    def _put_aside(self, what: str) -> Problem:
        """Keep a change that stands half-way, with its drafts, where it stops nobody."""
        place = self.folder / FOLDER
        aside = set_aside(place, [self._pending, *place.glob("draft-*")])
        remedy = f"it was put aside in {FOLDER}/{aside.name}; look whether the files have it"
        name = f"{FOLDER}/{PENDING}"
        return Problem(
            file=name, row=0, column="*", what=f"the last change {what}", remedy=remedy, fatal=False
        )

    def _finish(self, journal: Journal) -> None:
        """Move the files of a change that counts."""
        try:
            journal.carry_out(self.folder)
            self._pending.unlink()
        except OSError as error:
            raise CannotWrite(
                "The last change is kept, but could not be put into its files "
                f"({error.strerror or error}). It is as soon as that is put right."
            ) from error
        with suppress(OSError):  # the change is made, whether or not another can be noted down
            self._note_outside()

    def _note_damage(self, problems: Sequence[Problem]) -> None:
        """Say what was put aside to whoever runs the server, and among the changes."""
        for problem in problems:
            log.warning("caution: %s", problem)
            self.history.append(self._next(OUTSIDE, str(problem)))

    # --- edits made outside ---

    def outside_since(self, number: int) -> list[Entry]:
        """Changes after this one that were not made through the application."""
        if self._state != fingerprint(self.folder):
            with suppress(CannotWrite), self._locked():
                pass
        return [e for e in self.changes() if e.number > number and e.who == OUTSIDE]

    def _look(self) -> dict[str, str]:
        """Take in the files as they are; gives those whose content is not as it was known."""
        state = fingerprint(self.folder)
        different = {}
        known = {} if self._state is not None else self._noted()
        for path, *signs in state:
            file = self._short(Path(path))
            earlier = self._hashes.get(file)
            if earlier is not None and earlier[0] == signs:
                continue
            mark = _hash(Path(path))
            self._hashes[file] = (signs, mark)
            was = earlier[1] if earlier else known.get(file)
            if was != mark and (was is not None or self._state is not None):
                different[file] = mark
        gone = set(self._hashes) - {self._short(Path(path)) for path, *_ in state}
        for file in gone:
            del self._hashes[file]
            different[file] = ""
        self._state = state
        return different

    def _noted(self) -> dict[str, str]:
        """The content of each file as the history last left it."""
        return {f: mark for entry in self.history.entries() for f, mark in entry.hashes.items()}

    def _note_outside(self) -> None:
        different = self._look()
        noted = self._noted()
        different = {file: mark for file, mark in different.items() if noted.get(file) != mark}
        if different:
            what = f"changed outside the application: {', '.join(sorted(different))}"
            try:
                self.history.append(replace(self._next(OUTSIDE, what), hashes=different))
            except OSError:
                self._state, self._hashes = None, {}  # look again another time
                raise


def _number_of(journal: Journal) -> int:
    """The number of the change that a journal belongs to. Raises NotUnderstood."""
    told = journal.about.get("entry")
    if not isinstance(told, dict):
        raise NotUnderstood("does not say which change it belongs to")
    return history_entry(told).number


def _inverse(row: RowChange) -> Edit:
    """The edit that takes one back."""
    if row.after is None:
        return Add(row.file, dict(row.before or {}))
    mark = mark_of(row.after.values())
    if row.before is None:
        return Remove(row.file, row.row, mark)
    return Change(row.file, row.row, mark, {**dict.fromkeys(row.after, ""), **row.before})


def _hash(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            digest = sha256()
            while block := handle.read(1 << 20):
                digest.update(block)
            return digest.hexdigest()
    except FileNotFoundError:
        return ""
