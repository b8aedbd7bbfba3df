"""A chart's SVG file as an element of a page.

The file that matplotlib writes has a style for every element, which would spread over the whole
page, names that other charts have too, and more digits than anyone sees.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from spreadplan.reports.text_width import width_pt

SVG: Final = "{http://www.w3.org/2000/svg}"
HREF: Final = "{http://www.w3.org/1999/xlink}href"
HOVER: Final = "hover: "
"""A group whose name begins so shows the rest of it under the mouse."""
LEFT_OUT: Final = {"metadata", "style"}
HOLDERS: Final = {"g", "defs"}
BOLD: Final = {"700", "bold"}
FEW_LETTERS: Final = 4
"""So few letters hardly differ in width from font to font."""


def hover(text: str) -> str:
    """The ``gid`` of an artist that shows a text under the mouse."""
    return HOVER + text


def element(document: str, head: Mapping[str, str], colours: Mapping[str, str]) -> str:
    """An SVG file as text to stand inside a page.

    Parameters
    ----------
    document : the file.
    head : attributes of the ``<svg>`` element; ``aria-label`` becomes its title too.
    colours : written in place of those of the file, by fill and stroke.
    """
    root = ElementTree.fromstring(document)
    used = {
        name
        for one in root.iter()
        for value in one.attrib.values()
        for name in re.findall(r"(?:^|url\()#([^)]+)", value)
    }
    _tidy(root, used, colours)
    root.attrib = dict(head)
    _say(root, head["aria-label"])
    return ElementTree.tostring(root, encoding="unicode")


def _tidy(one: Element, used: set[str], colours: Mapping[str, str]) -> None:
    """Leave of an element, and of what it holds, only what is seen or used."""
    one.tag = one.tag.removeprefix(SVG)
    one.text, one.tail = (text if text and text.strip() else None for text in (one.text, one.tail))
    for child in list(one):
        _tidy(child, used, colours)
        if child.tag in LEFT_OUT or (child.tag in HOLDERS and not len(child)):
            one.remove(child)
    name = one.get("id", "")
    one.attrib = _attributes(one, used, colours)
    if one.tag == "text" and one.text and len(one.text) >= FEW_LETTERS:
        _keep_its_width(one, one.text)
    if name.startswith(HOVER):
        _say(one, name.removeprefix(HOVER))


def _keep_its_width(one: Element, text: str) -> None:
    """A reader without the font of the reports has another, often wider: nothing may overlap."""
    size = float(one.get("font-size", "0").removesuffix("px"))
    if size > 0.0:
        bold = one.get("font-weight", "") in BOLD
        one.set("textLength", f"{width_pt(text, size, bold):.2f}")
        one.set("lengthAdjust", "spacingAndGlyphs")


def _attributes(one: Element, used: set[str], colours: Mapping[str, str]) -> dict[str, str]:
    """What stands in the style becomes attributes: the PDF engine takes a style for the page's."""
    kept = dict(one.attrib)
    styles = (part.partition(":") for part in kept.pop("style", "").split(";"))
    kept |= {key.strip(): value.strip() for key, _, value in styles if value}
    kept.pop("font-family", None)  # that of the whole chart
    if kept.get("id") not in used:
        kept.pop("id", None)
    if kept.get("transform", "").startswith("rotate(-0 "):
        del kept["transform"]
    if HREF in kept:  # a reference, or a picture: its letters may be many
        kept["href"] = "".join(kept.pop(HREF).split())
    for key in kept.keys() & {"fill", "stroke"}:
        kept[key] = colours.get(kept[key], kept[key])
    return {key: value if key == "href" else _shorter(value) for key, value in kept.items()}


def _shorter(value: str) -> str:
    """Numbers to a hundredth of a point, and no spaces that mean nothing."""
    return re.sub(r"(\d+\.\d\d)\d+", r"\1", " ".join(value.split()))


def _say(one: Element, text: str) -> None:
    title = Element("title")
    title.text = text
    one.insert(0, title)
