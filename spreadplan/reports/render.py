"""Templates to HTML, and HTML to PDF.

An HTML report stands alone: its style and its charts are inside the file, it needs no script and
asks no other host for anything. The PDF is made from the very same HTML.
"""

from __future__ import annotations

import atexit
import base64
import gc
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup, escape

from spreadplan import __version__
from spreadplan.reports.pdf_writers import Job, PdfWriters, pdf_writers
from spreadplan.resources import resource

PDF_LEFT_OUT = (
    "PDF left out: install the Pango library, on Debian or Ubuntu: "
    "apt install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
)
FONT = "Roboto"
FONT_FILES = {"Roboto-Regular.ttf": 400, "Roboto-Bold.ttf": 700}
WORKERS = 2
FEW = 8
"""So few documents are not worth starting other processes for: a card takes 0.3 s of processor
time, a process 2 s before it begins."""


def environment_with(**known: Any) -> jinja2.Environment:
    """Templates in which every text is escaped and a name that nobody gave is an error.

    ``known`` : names that every template may use besides ``version`` and the filter ``wrap``.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(resource("templates")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["wrap"] = breakable
    environment.globals.update(version=__version__, **known)
    return environment


@cache
def _environment() -> jinja2.Environment:
    return environment_with(stylesheet=_stylesheet)


def _stylesheet(name: str) -> Markup:
    """The text of a style sheet of our own, to stand inside a page."""
    return Markup((resource("templates") / name).read_text(encoding="utf-8"))


LONG_WORD = 18


def breakable(text: str) -> Markup:
    """Text in which very long words may break, so that no name is wider than its column."""
    words = re.split(r"(\s+)", str(text))
    parts = (
        [word] if len(word) <= LONG_WORD else re.findall(rf".{{1,{LONG_WORD - 6}}}", word)
        for word in words
    )
    return Markup("").join(Markup("<wbr>").join(escape(part) for part in word) for word in parts)


def html(template: str, **context: Any) -> str:
    """A report as one HTML page. Every text from the workspace is escaped."""
    return _environment().get_template(template).render(**context)


@contextmanager
def _unseen(_total: int) -> Iterator[Callable[[], None]]:
    """Progress that nobody sees."""
    yield lambda: None


def write_all(
    place: Callable[[str], Path],
    pages: Iterable[tuple[str, str]],
    pdf: bool,
    progress: Callable[[int], AbstractContextManager[Callable[[], object]]] = _unseen,
    writers: PdfWriters | None = None,
) -> str | None:
    """Write reports, the PDF of each in one of two processes where they are many.

    Parameters
    ----------
    place : where a result of this name goes.
    pages : name without ending, HTML.
    pdf : whether PDFs are wanted as well.
    progress : a context for so many reports, with what is called once for each that is complete.
    writers : processes that wait already; they begin with the first page while the next is made.

    Returns
    -------
    One line that says what to install where PDFs had to be left out, else None.
    """
    names = []
    for name, page in pages:
        source = place(f"{name}.html")
        source.write_text(page, encoding="utf-8")
        names.append(name)
        if pdf and writers:
            writers.add(source, place(f"{name}.pdf"))
    with progress(len(names)) as step:
        if pdf and names:
            jobs = [(place(f"{name}.html"), place(f"{name}.pdf")) for name in names]
            return _write_pdfs(jobs, step, writers)
        for _ in names:
            step()
    return None


def _write_pdfs(
    jobs: list[Job], step: Callable[[], object], writers: PdfWriters | None
) -> str | None:
    """See `write_all`; ``writers`` : those that have the jobs already."""
    if writers and writers.possible():
        left = writers.finish(step)
    elif not pdf_possible():
        for _ in jobs:
            step()
        return PDF_LEFT_OUT
    else:
        left = _in_other_processes(jobs, step) if len(jobs) > FEW else jobs
    for source, target in left:
        write_pdf(source, target)
        step()
    return None


def _in_other_processes(jobs: list[Job], step: Callable[[], object]) -> list[Job]:
    """Have PDFs written by other processes; those that they did not write."""
    with pdf_writers(WORKERS) as writers:
        for job in jobs:
            writers.add(*job)
        return writers.finish(step)


def pdf_possible() -> bool:
    """Whether the PDF engine finds its libraries; what it prints where not is for programmers."""
    try:
        with redirect_stdout(StringIO()):
            import weasyprint  # noqa: F401
    except OSError:
        return False
    return True


def write_pdf(source: Path, target: Path) -> None:
    """Make a PDF of an HTML report. Nothing outside the report is read but our own fonts."""
    target.write_bytes(pdf_of(source.read_text(encoding="utf-8")))


def pdf_of(page: str) -> bytes:
    """The PDF of an HTML page."""
    from weasyprint import HTML

    fonts, style, fetcher = _pdf_style()
    with _no_garbage_collection():
        made = HTML(string=page, url_fetcher=fetcher).write_pdf(
            font_config=fonts, stylesheets=[style], pdf_tags=True, pdf_identifier=b"spreadplan"
        )
    return bytes(made)


@contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """One page after another makes many objects that all stay until its end: looking through them
    again and again takes an eighth of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


@cache
def _pdf_style() -> tuple[Any, Any, Any]:
    """Fonts, the style sheet that names them, and a fetcher that refuses every address.

    The fonts come as ``data:`` addresses, the only kind that is let through.
    """
    from weasyprint import CSS
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher

    fetcher = URLFetcher(allowed_protocols=("data",))
    fonts = FontConfiguration()
    # let go of the fonts while their library is still there to be told
    atexit.register(_pdf_style.cache_clear)
    faces = "".join(
        f'@font-face {{ font-family: "{FONT}"; font-weight: {weight}; '
        f"src: url(data:font/ttf;base64,{_encoded(name)}) }}\n"
        for name, weight in FONT_FILES.items()
    )
    return fonts, CSS(string=faces, font_config=fonts, url_fetcher=fetcher), fetcher


def _encoded(font: str) -> str:
    return base64.b64encode((resource("templates") / "fonts" / font).read_bytes()).decode()
