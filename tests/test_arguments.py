"""What a command is told on its line: one clear line for each mistake, exit code 2, no trace."""

from __future__ import annotations

import io
import shutil
import ssl
import subprocess
import sys
from pathlib import Path

import pytest

from spreadplan.cli import main
from spreadplan.web.access.accounts import save_account
from tests.reconcile import three_segments

LONG = "a" * 300


def refused(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """The one line with which a command refuses its arguments."""
    capsys.readouterr()
    assert main([str(word) for word in words]) == 2
    *lines, last = capsys.readouterr().err.splitlines()
    assert last == "1 problem; nothing was changed"
    (line,) = [line for line in lines if not line.startswith("caution: ")]
    return line


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Servers that were started, without being kept."""
    import uvicorn

    started: list[object] = []
    monkeypatch.setattr(uvicorn.Server, "run", lambda server, **_: started.append(server))
    return started


# --- dates ---


@pytest.mark.slow
@pytest.mark.parametrize("command", ["calibrate", "season"])
@pytest.mark.parametrize(
    ("given", "what"),
    [
        ("9999-12-31", "outside the years 1980 to 2100"),
        ("0001-01-01", "outside the years"),
        ("1979-12-31", "outside the years"),
        ("2101-01-01", "outside the years"),
        ("2026-02-30", "is not a date"),
        ("", "is not a date"),
        ("tomorrow", "is not a date"),
        ("\udcff", "is not a date"),
        ("2026-12-01T10:00", "is not a date"),
    ],
)
def test_a_day_that_cannot_be_meant(workspace, capsys, command, given, what):
    line = refused(capsys, command, workspace(), "--as-of", given, "--no-pdf")
    assert line.startswith("--as-of:0:*: ")
    assert what in line
    assert line.endswith("; write 2026-12-01")


# --- where to serve ---


@pytest.mark.slow
@pytest.mark.parametrize(
    ("option", "given", "what"),
    [
        ("--port", "99999", "99999 is not a port"),
        ("--port", "-1", "-1 is not a port"),
        ("--port", "9" * 30, "is not a port"),
        ("--host", "", '"" is not an address'),
        ("--host", "a\udcffb", "is not an address"),
        ("--host", "http://127.0.0.1", "not an address"),
        ("--host", "127.0.0.1 ", "is not an address"),
        ("--host", LONG, "is not an address"),
        ("--host", "nobody.invalid", "is not an address of this computer"),
        ("--host", "999.1.1.1", "is not an address of this computer"),
        ("--host", "192.0.2.1", "is not an address of this computer"),  # RFC 5737: for examples
        ("--name", "salt:8642", "is not the name of a server"),
        ("--name", "https://salt", "is not the name of a server"),
        ("--name", "salt\udcff", "is not the name of a server"),
        ("--name", "", "not the name of a"),
    ],
)
def test_a_place_to_serve_that_cannot_be(workspace, capsys, served, option, given, what):
    folder = workspace()
    save_account(folder, "ann", "administer", "four plain words here")
    line = refused(capsys, "serve", folder, option, given)
    assert line.startswith(f"{option}:0:*: ")
    assert what in line
    assert not served


# --- certificates ---


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate, its key open and locked, both in one file, and the key of another."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl to make a certificate")
    folder = tmp_path_factory.mktemp("tls")

    def run(*words: str) -> None:
        subprocess.run(["openssl", *words], check=True, cwd=folder, capture_output=True)

    run(
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "key.pem",
        "-out",
        "cert.pem",
        "-days",
        "2",
        "-subj",
        "/CN=localhost",
    )
    run("genrsa", "-out", "other.pem", "2048")
    run("rsa", "-in", "key.pem", "-aes128", "-passout", "pass:abcdef", "-out", "locked.pem")
    for name, key in (("both.pem", "key.pem"), ("both-locked.pem", "locked.pem")):
        (folder / name).write_bytes(b"".join((folder / f).read_bytes() for f in ("cert.pem", key)))
    (folder / "text.pem").write_text("x")
    (folder / "empty.pem").touch()
    return folder


@pytest.mark.parametrize(
    ("certificate", "key", "line"),
    [
        ("nothing.pem", None, "--certificate:0:*: {}/nothing.pem is not a file"),
        (".", None, "--certificate:0:*: {} is not a file"),
        ("text.pem", None, "--certificate:0:*: {}/text.pem holds no certificate"),
        ("empty.pem", "key.pem", "--certificate:0:*: {}/empty.pem holds no certificate"),
        ("key.pem", "cert.pem", "--certificate:0:*: {}/key.pem holds no certificate"),
        ("cert.pem", None, "--key:0:*: is missing"),
        ("cert.pem", "nothing.pem", "--key:0:*: {}/nothing.pem is not a file"),
        ("cert.pem", "text.pem", "--key:0:*: {}/text.pem is not the private key"),
        ("cert.pem", "other.pem", "--key:0:*: {}/other.pem is not the private key"),
        ("cert.pem", "locked.pem", "--key:0:*: {}/locked.pem is locked with a password"),
        ("both-locked.pem", None, "--key:0:*: {}/both-locked.pem is locked with a password"),
        (None, "key.pem", "--key:0:*: is given without a certificate"),
    ],
)
def test_a_certificate_that_cannot_be_served_with(
    workspace, capsys, served, certificates, certificate, key, line
):
    options = [("--certificate", certificate), ("--key", key)]
    words = [word for option, name in options if name for word in (option, certificates / name)]
    said = refused(capsys, "serve", workspace(), "--port", 0, *words)
    assert said.startswith(line.format(certificates))
    assert not served


@pytest.mark.parametrize("words", [["cert.pem", "key.pem"], ["both.pem"]])
def test_a_certificate_with_its_key_serves(workspace, capsys, served, certificates, words):
    options = zip(("--certificate", "--key"), words, strict=False)
    arguments = [word for option, name in options for word in (option, str(certificates / name))]
    assert main(["serve", str(workspace()), "--port", "0", *arguments]) == 0
    assert "open https://127.0.0.1:" in capsys.readouterr().out
    (server,) = served
    server.config.load()  # type: ignore[attr-defined]
    assert isinstance(server.config.ssl, ssl.SSLContext)  # type: ignore[attr-defined]


# --- names, passwords and folders ---


class _Locked(io.StringIO):
    """A terminal at which nobody types."""

    def isatty(self) -> bool:
        return True


def test_a_password_that_is_no_text(workspace, capsys, monkeypatch):
    folder = workspace()

    def nobody(_prompt: str) -> str:
        raise EOFError

    monkeypatch.setattr("getpass.getpass", nobody)
    stdins = (
        io.StringIO("\udcff" * 12),
        io.TextIOWrapper(io.BytesIO(b"\xff" * 12), "utf-8"),
        _Locked(),
    )
    for stdin in stdins:
        monkeypatch.setattr(sys, "stdin", stdin)
        line = refused(capsys, "account", folder, "ann", "--role", "read")
        assert line.startswith("password:0:*: no password was given in letters")
    assert not (folder / ".accounts.toml").exists()


@pytest.mark.parametrize("name", ["a\udcff", LONG, "", "../ann", "ann\n"])
def test_a_name_that_is_none(workspace, capsys, monkeypatch, name):
    folder = workspace()
    monkeypatch.setattr(sys, "stdin", io.StringIO("four plain words here\n"))
    assert "is not a name" in refused(capsys, "account", folder, name, "--role", "read")
    assert "no account is called" in refused(capsys, "account", folder, name, "--remove")


@pytest.mark.parametrize(
    "command",
    [
        "check",
        "calibrate",
        "plan",
        "reconcile",
        "season",
        "compare",
        "new",
        "demo",
        "serve",
        "account",
    ],
)
@pytest.mark.parametrize("folder", [LONG, "nowhere/\udcff", f"{LONG}/x", "a file"])
def test_a_folder_that_is_none(tmp_path, capsys, monkeypatch, served, command, folder):
    (tmp_path / "a file").touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO("four plain words here\n"))
    if command in ("new", "demo") and folder.startswith("nowhere"):
        return  # they make it
    storm = ["s1"] if command in ("plan", "reconcile", "compare") else []
    more = ["ann", "--role", "read"] if command == "account" else []
    assert main([command, folder, *storm, *more]) == 2
    said = capsys.readouterr().err.splitlines()
    assert 1 <= len(said) <= 2
    assert not any("Traceback" in line for line in said)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a file"]


@pytest.mark.parametrize(
    "address", ["foo", "tcp://127.0.0.1:99999", "tcp://a\udcff:1", "http://a:1", "tcp://:8786"]
)
def test_an_address_that_no_scheduler_can_have(workspace, capsys, address):
    """Asked to reach it the library would go on trying, and end in a trace a minute later."""
    distributed = pytest.importorskip("distributed", reason="pip install 'spreadplan[cluster]'")
    from spreadplan.errors import BadInput
    from spreadplan.runs.cluster import cluster

    tried: list[object] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(distributed, "Client", lambda *a, **_: tried.append(a))
        with pytest.raises(BadInput, match="no scheduler answers at"):
            cluster(None, address).__enter__()  # type: ignore[arg-type]
    assert not tried


def test_a_caution_among_problems_is_called_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Two returns that are the same stop the work; that they lie in the future does not."""
    content = three_segments.files()
    returns = content["storms/s1/returns.csv"].replace("2026-12-01", "2062-12-01")
    content["storms/s1/returns.csv"] = returns + returns.splitlines()[1] + "\n"
    assert main(["check", str(three_segments.write(tmp_path / "w", content))]) == 2
    *lines, last = capsys.readouterr().err.splitlines()
    assert last == "1 problem; nothing was changed"
    said = [line for line in lines if "returns.csv" in line]
    assert [line.split(":")[0] for line in said] == ["caution", "storms/s1/returns.csv"]
