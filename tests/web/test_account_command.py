"""``spreadplan account``."""

from __future__ import annotations

import io
import sys

import pytest

from spreadplan.cli import main
from spreadplan.web.access.accounts import check_password, read_accounts


@pytest.fixture
def typed(monkeypatch):
    """What is sent to the command's input."""

    def send(text: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(text))

    return send


@pytest.mark.slow
def test_an_account_is_made_changed_and_taken_away(workspace, typed, capsys):
    folder = workspace()
    typed("four plain words here\n")
    assert main(["account", str(folder), "ann", "--role", "record"]) == 0
    account = read_accounts(folder)["ann"]
    assert account.role == "record"
    assert check_password(account, "four plain words here")
    assert "four plain" not in capsys.readouterr().out
    typed("another long password\n")
    assert main(["account", str(folder), "ann", "--role", "plan"]) == 0
    assert read_accounts(folder)["ann"].role == "plan"
    assert main(["account", str(folder), "ann", "--remove"]) == 0
    assert read_accounts(folder) == {}


@pytest.mark.parametrize(
    ("arguments", "sent", "said"),
    [
        (["ann", "--role", "record"], "short\n", "5 characters"),
        (["ann"], "", "--role"),
        (["a/b", "--role", "record"], "four plain words here\n", "not a name"),
        (["nobody", "--remove"], "", "no account is called"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    workspace, typed, capsys, arguments, sent, said
):
    folder = workspace()
    typed(sent)
    assert main(["account", str(folder), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not (folder / ".accounts.toml").exists()


def test_a_folder_that_is_no_workspace_gets_no_accounts(tmp_path, typed, capsys):
    typed("four plain words here\n")
    assert main(["account", str(tmp_path / "nowhere"), "ann", "--role", "read"]) == 2
    assert "is not a workspace" in capsys.readouterr().err
