"""The `pack` and `verify` commands: an issue as one file, and whether such a file is as it was.

The file is a plain zip: the issue's own files with ``issue.json``, which holds the hash of each,
and, where a key was given, ``signature.txt`` over ``issue.json``. Hashes show that nothing changed
by accident or by somebody who does not rewrite them. The signature shows that it was made by
somebody who had the same key: everybody with the key could have made it, so it convinces those who
share the key and nobody else.

Source of the signature: HMAC (RFC 2104) with SHA-256 (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import hmac
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

from spreadplan.durable import put_bytes
from spreadplan.errors import BadInput, CannotWrite, Problem
from spreadplan.journal import NotUnderstood
from spreadplan.runs.options import Options
from spreadplan.workspace.issued import (
    ABOUT,
    ISSUED,
    MOST_BYTES,
    PIECE_BYTES,
    Issue,
    read_issues,
    understood,
)
from spreadplan.workspace.load import known_storm

SIGNATURE: Final = "signature.txt"
LONGEST_SIGNATURE: Final = 1_000
SHORTEST_KEY: Final = 16
LONGEST_KEY: Final = 1_000_000
SAME_DATE: Final = (1980, 1, 1, 0, 0, 0)
"""The time of every file in a zip: packed twice, an issue gives the same bytes."""
DAMAGED: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    OSError,
    EOFError,
    NotImplementedError,
    RuntimeError,
)
"""What a damaged zip may end in."""
RETRY: Final = "pack it again where it was issued, and send it anew"


def pack(
    folder: Path, storm: str, target: Path, options: Options, number: int = 0, key: str = ""
) -> None:
    """Write an issue of a storm into one file.

    Parameters
    ----------
    number : of the issue; 0 for the last.
    key : file with the key that it is signed with; "" for none.
    """
    known_storm(folder, storm)
    secret = _key(key) if key else b""
    found = read_issues(folder, storm, tables=False)
    if found.problems:
        raise BadInput(found.problems)
    plans = {one.issue.number: one.issue for one in found.plans}
    made = plans.get(number or max(plans, default=0))
    if made is None:
        named = ", ".join(map(str, plans)) or "none; make one with: spreadplan issue"
        what = f"storm {storm} has no issue {number}" if number else f"storm {storm} has no issue"
        raise BadInput([_asked("--number", what, f"name one of: {named}")])
    place = folder / "storms" / storm / ISSUED / str(made.number)
    try:
        put_bytes(target, _zipped(place, made, secret))
    except OSError as error:
        why = error.strerror or error
        raise CannotWrite(f"{target}: cannot be written ({why}); choose another place") from error
    signed = "signed with the key" if secret else "not signed"
    options.say(f"issue {made.number} of {storm}: {target}, {signed}")


def verify(target: Path, options: Options, key: str = "") -> None:
    """Whether a file that `pack` wrote is as it was. Raises BadInput with everything that is not.

    Parameters
    ----------
    key : file with the key that it should be signed with; "" for none.
    """
    secret = _key(key) if key else b""
    try:
        with zipfile.ZipFile(target) as packed:
            made, signed = _judged(packed, str(target), secret)
    except DAMAGED as error:
        why = getattr(error, "strerror", None) or "it is no zip file, or a damaged one"
        raise BadInput([_asked(str(target), f"cannot be read: {why}", RETRY)]) from None
    options.say(f"good: issue {made.number} of the storm {made.storm}, as it was issued")
    options.say(f"in force from {made.since.isoformat()}, issued at {made.issued_at.isoformat()}")
    for what, text in (("by", made.by), ("note", made.note)):
        if text:
            options.say(f"{what}: {text}")
    options.say(f"made by {made.program} from inputs {made.inputs}; {len(made.files)} files")
    if secret:
        options.say("signature good: somebody who had this key made the file")
    elif signed:
        options.say("signed, but without the key nothing is said about the signature")
    else:
        options.say("not signed: whoever changed everything, hashes too, would not be found out")


def _zipped(place: Path, made: Issue, secret: bytes) -> bytes:
    about = (place / ABOUT).read_bytes()
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in (ABOUT, *sorted(made.files)):
            packed.writestr(_entry(name), (place / name).read_bytes())
        if secret:
            packed.writestr(_entry(SIGNATURE), _signature(about, secret) + "\n")
    return whole.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, SAME_DATE)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    return entry


def _signature(about: bytes, secret: bytes) -> str:
    return hmac.new(secret, about, hashlib.sha256).hexdigest()


def _key(file: str) -> bytes:
    path = Path(file)
    try:
        data = path.read_bytes() if path.is_file() and path.stat().st_size <= LONGEST_KEY else b""
    except OSError:
        data = b""
    if len(data) < SHORTEST_KEY:
        what = f"is no file of {SHORTEST_KEY} to {LONGEST_KEY:,} bytes that can be read"
        remedy = "name a file with a long random text that only those who may sign have"
        raise BadInput([_asked(file, what, remedy)])
    return data


def _judged(packed: zipfile.ZipFile, shown: str, secret: bytes) -> tuple[Issue, bool]:
    names = packed.namelist()
    if ABOUT not in names:
        raise BadInput([_asked(shown, f"has no {ABOUT}: it is no packed issue", RETRY)])
    about = _read(packed, ABOUT, MOST_BYTES)
    try:
        made = understood(about)
    except NotUnderstood as error:
        raise BadInput([_asked(f"{shown}/{ABOUT}", str(error), RETRY)]) from None
    problems = list(_faults(packed, made, shown))
    if secret:
        problems += _signature_faults(packed, about, shown, secret)
    if problems:
        raise BadInput(problems)
    return made, SIGNATURE in names and bool(_read(packed, SIGNATURE, LONGEST_SIGNATURE))


def _faults(packed: zipfile.ZipFile, made: Issue, shown: str) -> Iterator[Problem]:
    names = packed.namelist()
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield _asked(f"{shown}/{name}", "stands in the file twice", RETRY)
    for name in sorted(set(names) - made.files.keys() - {ABOUT, SIGNATURE}):
        yield _asked(f"{shown}/{name}", "was added after the plan was issued", RETRY)
    for name, (size, digest) in made.files.items():
        if name not in names:
            yield _asked(f"{shown}/{name}", "is missing", RETRY)
        elif packed.getinfo(name).file_size != size or _digest(packed, name, size) != digest:
            yield _asked(f"{shown}/{name}", "was changed after the plan was issued", RETRY)


def _signature_faults(
    packed: zipfile.ZipFile, about: bytes, shown: str, secret: bytes
) -> Iterator[Problem]:
    place = f"{shown}/{SIGNATURE}"
    if SIGNATURE not in packed.namelist():
        yield _asked(place, "is missing: the file is not signed", "ask for a signed one")
        return
    given = _read(packed, SIGNATURE, LONGEST_SIGNATURE).decode("ascii", "replace").strip()
    if not hmac.compare_digest(given.encode(), _signature(about, secret).encode()):
        remedy = "ask whoever sent it which key it was signed with, and do not trust it until then"
        yield _asked(place, "is not that of this key", remedy)


def _read(packed: zipfile.ZipFile, name: str, most: int) -> bytes:
    with packed.open(name) as handle:
        return handle.read(most)


def _digest(packed: zipfile.ZipFile, name: str, size: int) -> str:
    """SHA-256 of a file of the zip; no more is unpacked than its stated size and a byte."""
    whole, left = hashlib.sha256(), size + 1
    try:
        with packed.open(name) as handle:
            while left > 0 and (piece := _piece(handle, left)):
                whole.update(piece)
                left -= len(piece)
    except DAMAGED:
        return ""
    return whole.hexdigest()


def _piece(handle: IO[bytes], left: int) -> bytes:
    return handle.read(min(left, PIECE_BYTES))


def _asked(file: str, what: str, remedy: str) -> Problem:
    return Problem(file=file, row=0, column="*", what=what, remedy=remedy)
