"""The guide: Markdown pages below ``templates/guide`` as HTML, page by page and as one file.

The pages are ours and HTML in them is switched off. Links between them are written as in a folder
of files, ``planner.md#loads``, so that they also work where the folder itself is read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup, escape

from spreadplan.reports import render
from spreadplan.resources import resource

PAGES: Final = (
    "first-storm",
    "technician",
    "planner",
    "superintendent",
    "environment",
    "results",
    "method",
    "method-calibration",
    "method-plan",
    "method-use",
    "method-season",
    "sources",
    "limits",
    "messages",
    "trust",
    "python",
)
"""Every page, in the order in which one would read them."""
FILES_PAGE: Final = "about-the-files.html"
"""The page that describes every input file; where the guide names it, it leads there."""

Address = Callable[[str, str], str]
"""Where a page and a heading of it are: name of the page, id of the heading or "" for its top."""


@dataclass(frozen=True)
class GuidePage:
    """One page as HTML.

    name, title, summary : its file's name without ending, its heading and its first paragraph.
    body : everything below the title.
    headings : address and text of each second heading.
    """

    name: str
    title: str
    summary: Markup
    body: Markup
    headings: tuple[tuple[str, str], ...]


def guide_text(name: str) -> str:
    """The Markdown of a page. Raises KeyError where there is no such page."""
    if name not in PAGES:
        raise KeyError(name)
    return (resource("templates") / "guide" / f"{name}.md").read_text(encoding="utf-8")


def parsed(text: str) -> list[Token]:
    """Markdown with tables and without HTML, as tokens."""
    return _parser().parse(text)


def guide_page(name: str, address: Address, files_address: str) -> GuidePage:
    """A page of the guide.

    Parameters
    ----------
    name : one of `PAGES`.
    address : gives the addresses of pages and headings, see `Address`.
    files_address : where the page on the input files is.

    Raises
    ------
    KeyError : there is no such page.
    """
    tokens = parsed(guide_text(name))
    title, rest = tokens[1].content, tokens[3:]
    headings, text = [], title
    for place, token in enumerate(rest):
        if token.type == "heading_open":
            text = _plain(rest[place + 1])
            token.attrSet("id", address(name, slug(text)).partition("#")[2])
            if token.tag == "h2":
                headings.append((address(name, slug(text)), text))
        elif token.type == "table_open":
            token.attrSet("aria-label", f"{title}: {text}")
        elif token.type in ("th_open", "td_open") and token.attrs.pop("style", ""):
            token.attrSet("class", "n")
    shown = list(_with_pictures(rest))
    for token in shown:
        if token.type == "inline":
            _relink(token, name, address, files_address)
    body, summary = _rendered(shown), _rendered(rest[1:2])
    return GuidePage(name, title, summary, body, tuple(headings))


def _rendered(tokens: Sequence[Token]) -> Markup:
    return Markup(_parser().renderer.render(tokens, _parser().options, {}))


def guide_file(paper: str) -> str:
    """The whole guide as one HTML page with a table of contents, to keep or to print.

    ``paper`` : "letter" or "A4".
    """

    def address(name: str, heading: str) -> str:
        return f"#{name}.{heading}" if heading else f"#{name}"

    pages = [guide_page(name, address, FILES_PAGE) for name in PAGES]
    return render.html("guide.html", pages=pages, title="Guide", workspace="Guide", paper=paper)


def slug(text: str) -> str:
    """A heading as the end of an address, as code browsers make it.

    >>> slug("Loads, reload points and time")
    'loads-reload-points-and-time'
    """
    return re.sub(r"[^\w\- ]", "", text.lower()).strip().replace(" ", "-")


@cache
def _parser() -> MarkdownIt:
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.add_render_rule("table_open", _table_open)
    parser.add_render_rule("table_close", lambda *_: "</table></div>\n")
    return parser


def _table_open(_renderer: object, tokens: Sequence[Token], place: int, *_: object) -> str:
    """A table that scrolls by itself where the page is narrow; its heading is its name."""
    name = escape(str(tokens[place].attrs["aria-label"]))
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{name}"><table>\n'


def _plain(token: Token) -> str:
    """The text of a heading without its marks."""
    return "".join(child.content for child in token.children or ())


def _relink(token: Token, name: str, address: Address, files_address: str) -> None:
    """Lead links between pages to where these are now, and name the page on the files as a link."""
    children: list[Token] = []
    for child in token.children or ():
        if child.type == "link_open":
            child.attrSet("href", _target(str(child.attrs["href"]), name, address))
        if child.type == "code_inline" and child.content == FILES_PAGE:
            opening = Token("link_open", "a", 1, attrs={"href": files_address})
            children += [opening, child, Token("link_close", "a", -1)]
        else:
            children.append(child)
    token.children = children


def _target(href: str, name: str, address: Address) -> str:
    path, _, heading = href.partition("#")
    if path and not path.endswith(".md"):
        return href
    return address(path.removesuffix(".md") or name, heading)


def _with_pictures(tokens: Sequence[Token]) -> Iterator[Token]:
    """The tokens with each paragraph that is one picture replaced by the picture itself."""
    place = 0
    while place < len(tokens):
        children = tokens[place + 1].children or [] if place + 1 < len(tokens) else []
        alone = len(children) == 1 and children[0].type == "image"
        if tokens[place].type == "paragraph_open" and alone:
            yield Token("html_block", "", 0, content=_picture(children[0]))
            place += 3
        else:
            yield tokens[place]
            place += 1


def _picture(token: Token) -> str:
    """A drawing of ours as part of the page, so that it needs no file beside it."""
    drawing = (resource("templates") / "guide" / str(token.attrs["src"])).read_text("utf-8")
    alt, caption = escape(token.content), escape(str(token.attrs.get("title", "")))
    drawing = drawing.replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)
    return f'<figure tabindex="0">{drawing}<figcaption>{caption}</figcaption></figure>\n'
