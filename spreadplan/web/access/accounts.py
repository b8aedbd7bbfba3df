"""Accounts of people: `.accounts.toml` in the workspace, made with ``spreadplan account``."""

from __future__ import annotations

import json
import os
import re
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from filelock import FileLock, Timeout

from spreadplan.durable import put_text, remove_drafts
from spreadplan.errors import BadInput, CannotWrite, Problem
from spreadplan.places import own_file
from spreadplan.web.files.folder import check_workspace

FILE: Final = ".accounts.toml"
#: Each role may do all that the roles before it may.
ROLES: Final = ("read", "record", "plan", "administer")
NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
SHORTEST_PASSWORD: Final = 10
LONGEST_PASSWORD: Final = 200

_hasher = PasswordHasher()
#: Each hash takes 64 MB for a moment: no more than two at a time.
_room = threading.Semaphore(2)


@dataclass(frozen=True)
class Account:
    """A person who may sign in."""

    name: str
    role: str
    password_hash: str

    @property
    def stamp(self) -> str:
        """Changes with the password or the role: sessions from before are then over."""
        return sha256(f"{self.role}\0{self.password_hash}".encode()).hexdigest()


def may(role: str, needed: str) -> bool:
    """Whether a role includes another; "" includes nothing.

    >>> may("plan", "record"), may("read", "record")
    (True, False)
    """
    return role in ROLES and ROLES.index(role) >= ROLES.index(needed)


def read_accounts(folder: Path) -> dict[str, Account]:
    """Name → account; empty where nobody has one.

    Raises BadInput where the file cannot be understood: nobody gets in by a broken file.
    """
    path = folder / FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput([_problem(f"cannot be read ({error})", "make the accounts anew")]) from error
    try:
        listed = tomllib.loads(text).get("accounts", {})
        accounts = {
            name: Account(name, str(entry["role"]), str(entry["password_hash"]))
            for name, entry in listed.items()
        }
    except (tomllib.TOMLDecodeError, AttributeError, KeyError, TypeError) as error:
        raise BadInput([_problem("is not a list of accounts", "make the accounts anew")]) from error
    wrong = [account for account in accounts.values() if account.role not in ROLES]
    if wrong:
        remedy = f"use one of {', '.join(ROLES)}"
        raise BadInput([_problem(f'"{wrong[0].role}" is not a role', remedy)])
    return accounts


def _problem(what: str, remedy: str) -> Problem:
    return Problem(file=FILE, row=0, column="*", what=what, remedy=remedy)


def save_account(folder: Path, name: str, role: str, password: str) -> Account:
    """Add an account, or give it a new role and password.

    Raises BadInput where name, role or password are not acceptable.
    """
    check_workspace(folder)
    faults = []
    if not NAME.fullmatch(name):
        faults.append(_problem(f'"{name[:40]}" is not a name', "use letters, digits, . _ or -"))
    if role not in ROLES:
        faults.append(_problem(f'"{role[:40]}" is not a role', f"use one of {', '.join(ROLES)}"))
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        faults.append(
            _problem(
                f"the password has {len(password)} characters",
                f"use {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}; a few words are easy to keep",
            )
        )
    if faults:
        raise BadInput(faults)
    account = Account(name, role, _hash(password))
    with _locked(folder):
        _write(folder, {**read_accounts(folder), name: account})
    return account


def remove_account(folder: Path, name: str) -> None:
    """Take an account away. Raises BadInput where there is none of that name."""
    check_workspace(folder)
    with _locked(folder):
        accounts = read_accounts(folder)
        if name not in accounts:
            raise BadInput([_problem(f'no account is called "{name[:40]}"', "check the name")])
        _write(folder, {key: account for key, account in accounts.items() if key != name})


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Alone with the accounts; what a killed process left half written is removed."""
    try:
        with FileLock(own_file(folder / ".accounts.lock"), timeout=10):
            remove_drafts(folder / FILE)
            yield
    except Timeout:
        raise CannotWrite(f"{FILE}: someone else is changing it; try again") from None
    except OSError as error:
        raise CannotWrite(
            f"{FILE}: cannot be written ({error.strerror or error}); the accounts are as they were"
        ) from error


def _write(folder: Path, accounts: dict[str, Account]) -> None:
    text = "# Written by spreadplan account; keep this file private.\n"
    for account in accounts.values():
        text += f"\n[accounts.{json.dumps(account.name)}]\n"
        text += f"role = {json.dumps(account.role)}\n"
        text += f"password_hash = {json.dumps(account.password_hash)}\n"
    put_text(folder / FILE, text, mode=0o600)


def _hash(password: str) -> str:
    with _room:
        return _hasher.hash(password)


_nobody = _hasher.hash(os.urandom(16).hex())


def check_password(account: Account | None, password: str) -> bool:
    """Whether the password is the account's; takes as long for an account that is not there."""
    with _room:
        try:
            right = _hasher.verify(account.password_hash if account else _nobody, password)
        except (VerificationError, InvalidHashError):
            return False
    return right and account is not None
