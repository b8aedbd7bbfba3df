"""The look of every chart, and how a figure becomes SVG text inside a page.

Colours are told apart by people who see few of them and by a printer that has none: their
lightness differs, and shape, hatching or words say the same once more.
"""

from __future__ import annotations

import io
import threading
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import matplotlib as mpl
from markupsafe import Markup
from matplotlib import font_manager, rcsetup
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from spreadplan.reports.inline_svg import element
from spreadplan.reports.render import FONT, FONT_FILES
from spreadplan.resources import resource

INK: Final = "#14212b"
MUTED: Final = "#5d6b76"
LINE: Final = "#c9d1d8"
FAINT: Final = "#eef1f4"
BLUE: Final = "#1d5c96"
PALE_BLUE: Final = "#cfe0f0"
AMBER: Final = "#d9860a"
RED: Final = "#9d1f17"
WHITE: Final = "#ffffff"
#: too much and too little: apart in hue for every kind of colour vision, and in lightness; a shape,
#: a hatch or a word says it once more.
OVER: Final = "#8c1b3d"
UNDER: Final = "#1f6fb2"
#: five steps from light to dark: their lightness falls evenly, so that grey print keeps the order.
STEPS: Final = ("#f2c14e", "#e08a3c", "#bf5547", "#853a5c", "#3a2353")

#: a panel of this size fills a telephone, and is read there without a glass.
SCREEN_WIDTH_IN: Final = 3.3
SCREEN_HEIGHT_IN: Final = 2.1
#: the names that colours have in the style sheet of a page that is light or dark.
ON_SCREEN: Final = {
    INK: "var(--ink)",
    MUTED: "var(--muted)",
    LINE: "var(--line)",
    FAINT: "var(--faint)",
    BLUE: "var(--curve)",
    PALE_BLUE: "var(--band)",
    AMBER: "var(--sand-edge)",
    RED: "var(--red)",
    OVER: "var(--verdict-4)",
    UNDER: "var(--verdict-0)",
    WHITE: "var(--card)",
}

#: as in the style sheet: where ours is not installed, one of about the same width.
FONTS: Final = f"{FONT}, 'Helvetica Neue', Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"

STYLE: Final[Any] = {
    "font.family": [FONT, "DejaVu Sans"],
    "font.size": 7.5,
    "axes.prop_cycle": rcsetup.cycler(color=[INK]),
    "text.parse_math": False,  # a name with two dollar signs is no formula
    "text.color": INK,
    "axes.edgecolor": LINE,
    "axes.linewidth": 0.7,
    "axes.labelcolor": MUTED,
    "axes.labelsize": 7.5,
    "axes.titlesize": 8,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.7,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "xtick.major.size": 0,
    "ytick.major.size": 0,
    "xtick.major.pad": 3,
    "ytick.major.pad": 3,
    "legend.frameon": False,
    "legend.fontsize": 7,
    "lines.solid_capstyle": "round",
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "path.simplify_threshold": 0.5,
    "figure.dpi": 72,
    "savefig.dpi": 200,
}


_TURN: Final = threading.RLock()
"""The style belongs to the whole process, not to a thread."""


@cache
def _add_fonts() -> None:
    for name in FONT_FILES:
        font_manager.fontManager.addfont(str(resource("templates") / "fonts" / name))


@contextmanager
def house_style() -> Iterator[None]:
    """Charts drawn inside have the look of the reports; one thread draws at a time."""
    with _TURN, mpl.rc_context(STYLE), warnings.catch_warnings():
        _add_fonts()
        # the text stays text: whoever shows the chart has the letters that ours lacks
        warnings.filterwarnings("ignore", "Glyph .* missing from")
        yield


def panels(
    count: int, width_in: float, height_in: float, columns: int
) -> tuple[Figure, list[Axes]]:
    """A figure with ``count`` panels side by side, ``columns`` in a row; the rest stay empty."""
    rows = -(-count // columns)
    layout = ConstrainedLayoutEngine(w_pad=0.05, h_pad=0.04, wspace=0.02, hspace=0.03)
    figure = Figure(figsize=(width_in, height_in * rows), layout=layout)
    grid = figure.subplots(rows, columns, squeeze=False).ravel().tolist()
    for spare in grid[count:]:
        spare.set_axis_off()
    return figure, grid[:count]


@dataclass(frozen=True, eq=False)
class Drawing:
    """A chart before it is put into a page.

    alt, name : see `svg`.
    """

    figure: Figure
    alt: str
    name: str

    def svg(self) -> Markup:
        """As an element of a page."""
        with house_style():
            return svg(self.figure, self.alt, self.name)

    def on_screen(self, name: str = "") -> Markup:
        """As an element of a page that is light or dark: its colours are those of the page.

        ``name`` : in place of the chart's own, where a page has several of its kind.
        """
        with house_style():
            return svg(self.figure, self.alt, name or self.name, ON_SCREEN)


def svg(figure: Figure, alt: str, name: str, colours: Mapping[str, str] | None = None) -> Markup:
    """A figure as an ``<svg>`` element.

    Parameters
    ----------
    alt : what the chart shows, for people who cannot see it.
    name : short and unique in its page; keeps the names inside apart from other charts'.
    colours : to write in place of ours.
    """
    _lay_out(figure)
    out = io.StringIO()
    no_metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
    with mpl.rc_context({"svg.hashsalt": name}):  # names inside are made from it
        figure.savefig(out, format="svg", metadata=no_metadata, transparent=True)
    width, height = (f"{72.0 * side:g}" for side in figure.get_size_inches())
    head = {
        "xmlns": "http://www.w3.org/2000/svg",
        "class": "chart",
        "role": "img",
        "viewBox": f"0 0 {width} {height}",
        "width": f"{width}pt",
        "height": f"{height}pt",
        "aria-label": alt,
        "font-family": FONTS,
        "stroke-linejoin": "round",
        "stroke-linecap": "butt",
    }
    return Markup(element(out.getvalue(), head, colours or {}))


def _lay_out(figure: Figure) -> None:
    """Place what is in a figure, as saving would; saving itself would draw all of it once more."""
    engine = figure.get_layout_engine()
    if engine is not None:
        FigureCanvasSVG(figure)  # texts are as wide as they will be in the file
        engine.execute(figure)
        figure.set_layout_engine(None)  # "none" would keep one, and saving draw all once for it
