"""What every map of a report is drawn from: the plane, areas, yards, labels, the scale bar.

Drawn in miles on a plane that touches the middle of the network: for looking, not for measuring.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator
from mpl_toolkits.axes_grid1.anchored_artists import AnchoredSizeBar
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.reports.figure import INK, MUTED
from spreadplan.reports.text_width import width_pt
from spreadplan.views.display import Display, short

Floats = NDArray[np.float64]

AREA: Final = "#7aa7ab"
AREA_FACE: Final = "#e3f0f0"
MOST_VERTICES: Final = 15_000
"""With more, the lines become a picture inside the chart: a file stays small."""
MOST_LABELS: Final = 60
MILES_PER_DEGREE: Final = 69.1
ABOVE_ROADS: Final = 30
"""Order of the legend: between the strokes of roads it would cut their picture in two."""


@dataclass(frozen=True)
class Plane:
    """Longitude and latitude to miles from the middle of the network."""

    lon: float
    lat: float

    def project(self, geometry: Any) -> Any:
        """Geometries in degrees as geometries in miles; the shape of the input."""
        east = MILES_PER_DEGREE * np.cos(np.radians(self.lat))

        def move(position: Floats) -> Floats:
            return np.asarray((position - [self.lon, self.lat]) * [east, MILES_PER_DEGREE])

        return shapely.transform(geometry, move)


def one_path(roads: Any) -> Path:
    """Many lines as one path, joined where they meet: the file stays small."""
    merged = shapely.line_merge(shapely.multilinestrings(roads))
    vertices, part = shapely.get_coordinates(shapely.get_parts(merged), return_index=True)
    begins = np.diff(part, prepend=-1) > 0
    return Path(vertices, np.where(begins, Path.MOVETO, Path.LINETO))


def add_shape(ax: Axes, shape: PathPatch) -> None:
    """Draw a shape on a map, whose frame is set by `frame_of`.

    ``add_patch`` would look at every piece of it for limits that nobody asks for.
    """
    ax.add_artist(shape)


def draw_areas(ax: Axes, areas: gpd.GeoDataFrame, plane: Plane) -> list[Label]:
    """Draw sensitive areas; their names come back as labels to place."""
    labels = []
    for area in lines(areas):
        shape = plane.project(area.geometry)
        for polygon in shapely.get_parts(shape):
            rings = [polygon.exterior, *polygon.interiors]
            path = Path.make_compound_path(*(Path(np.asarray(ring.coords)) for ring in rings))
            add_shape(
                ax,
                PathPatch(
                    path, facecolor=AREA_FACE, edgecolor=AREA, hatch="////", linewidth=0.8, zorder=1
                ),
            )
        inside = shape.representative_point()
        name = short(area.name or area.area_id, 30)
        labels.append(
            Label(
                text=name,
                anchors=(Anchor(inside.x, inside.y),),
                colour=MUTED,
                weight="normal",
                size=6.5,
            )
        )
    return labels


def draw_yards(ax: Axes, yards: pd.DataFrame, plane: Plane) -> list[Label]:
    """Draw yards; their names come back as labels to place."""
    labels = []
    for yard in lines(yards):
        point = plane.project(shapely.Point(yard.lon, yard.lat))
        ax.plot(
            point.x,
            point.y,
            marker="s",
            markersize=6.5,
            color=INK,
            markeredgecolor="white",
            markeredgewidth=1.0,
            zorder=20,
        )
        labels.append(
            Label(
                text=short(yard.yard_id, 22),
                anchors=(Anchor(point.x, point.y),),
                colour=INK,
                weight="bold",
                size=7.5,
                away=6.0,
            )
        )
    return labels


def frame_of(ax: Axes, bounds: Floats) -> None:
    """Fit the axes to bounds in miles (west, south, east, north), with a margin."""
    margin = 0.04 * max(bounds[2] - bounds[0], bounds[3] - bounds[1], 0.05)
    ax.set_xlim(bounds[0] - margin, bounds[2] + margin)
    ax.set_ylim(bounds[1] - 1.8 * margin, bounds[3] + margin)


# --- labels ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Anchor:
    """A point in miles; ``level`` where the line through it runs rather east-west."""

    x: float
    y: float
    level: bool = False


@dataclass(frozen=True, kw_only=True)
class Label:
    """A text and the points it may stand at, best first; ``away`` points off them."""

    text: str
    anchors: tuple[Anchor, ...]
    colour: str
    weight: str
    size: float
    away: float = 3.5


BESIDE: Final = ((1, 0), (-1, 0), (1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1))
ABOVE: Final = ((0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1), (1, 0), (-1, 0))
ALIGN: Final[dict[int, tuple[Any, Any]]] = {
    1: ("left", "bottom"),
    0: ("center", "center"),
    -1: ("right", "top"),
}


def as_seen(roads: Any, span: float) -> Any:
    """Roads without what nobody sees on a map ``span`` miles wide; each on its own."""
    return shapely.simplify(roads, span / 1500.0, preserve_topology=False)


def longest_each(names: Any, roads: Any, most: int = 4) -> dict[Any, NDArray[np.object_]]:
    """The longest roads of each name, the longest first; names by their whole length, likewise."""
    frame = pd.DataFrame({"name": names, "road": roads, "long": shapely.length(roads)})
    total = frame.groupby("name")["long"].sum().sort_values(ascending=False)
    ordered = frame.sort_values("long", ascending=False, kind="stable")
    kept = ordered[ordered["name"].isin(total.index[:MOST_LABELS])].groupby("name").head(most)
    found = dict(iter(kept.groupby("name", sort=False)["road"]))
    return {name: found[name].to_numpy() for name in total.index[:MOST_LABELS]}


def along(roads: NDArray[np.object_], shares: Sequence[float]) -> tuple[Anchor, ...]:
    """The points at shares of the roads' lengths, 0 to 1: the first share of each road first."""
    anchors: list[Anchor] = []
    for share in shares:
        at, ahead = (
            shapely.get_coordinates(shapely.line_interpolate_point(roads, place, normalized=True))
            for place in (share, share + 0.05)
        )
        east, north = np.abs(ahead - at).T
        anchors += map(Anchor, at[:, 0].tolist(), at[:, 1].tolist(), (east > north).tolist())
    return tuple(anchors)


def place_labels(ax: Axes, labels: Sequence[Label], marks: Sequence[Label]) -> None:
    """Each label at the first place where it covers no other one; without such a place, nowhere.

    The anchors of ``marks`` carry a symbol that no label may cover.
    """
    to_pixels, view = ax.transData, ax.get_window_extent()
    symbols = np.array([(at.x, at.y) for mark in marks for at in mark.anchors]).reshape(-1, 2)
    taken = _boxes(to_pixels.transform(symbols), np.zeros((len(symbols), 2)), 8.0, 8.0, 0.0)
    for label in labels:
        # points are pixels here: the figure has 72 of them per inch
        width = width_pt(label.text, label.size, label.weight == "bold") + 2.0
        height = label.size * 1.15
        places = [
            (anchor, dx, dy)
            for anchor in label.anchors
            for dx, dy in (ABOVE if anchor.level else BESIDE)
        ]
        at = to_pixels.transform([(anchor.x, anchor.y) for anchor, _, _ in places])
        turned = np.array([(dx, dy) for _, dx, dy in places])
        boxes = _boxes(at, turned, width, height, label.away)
        inside = (
            (view.x0 <= boxes[:, 0])
            & (boxes[:, 2] <= view.x1)
            & (view.y0 <= boxes[:, 1])
            & (boxes[:, 3] <= view.y1)
        )
        free = np.flatnonzero(inside & ~_overlap(boxes, taken))
        if not len(free):
            continue
        anchor, dx, dy = places[free[0]]
        taken = np.vstack([taken, boxes[free[0]]])
        ax.annotate(
            label.text,
            (anchor.x, anchor.y),
            xytext=(dx * label.away, dy * label.away),
            textcoords="offset points",
            ha=ALIGN[dx][0],
            va=ALIGN[dy][1],
            fontsize=label.size,
            fontweight=label.weight,
            color=label.colour,
            zorder=30,
            annotation_clip=False,
            bbox={"facecolor": "white", "alpha": 0.82, "pad": 0.7, "linewidth": 0},
        )


def _boxes(at: Floats, turned: Any, width: float, height: float, away: float) -> Floats:
    """Boxes beside points, shape (n, 4): left, low, right, high; ``turned`` as in `BESIDE`."""
    size = np.array([width, height])
    corner = at + turned * away - size * (1 - turned) / 2.0
    return np.hstack([corner, corner + size])


def _overlap(boxes: Floats, others: Floats) -> NDArray[np.bool_]:
    """Which boxes cover a part of any other; shapes (n, 4), (m, 4) and (n,)."""
    left, low, right, high = (boxes[:, [k]] for k in range(4))
    other_left, other_low, other_right, other_high = others.T
    cover = (left < other_right) & (other_left < right) & (low < other_high) & (other_low < high)
    return np.asarray(cover.any(axis=1))


# --- scale -------------------------------------------------------------------------------------


def scale_bar(ax: Axes, shown: Display) -> None:
    """A scale of a round length in the unit shown, in the corner below a map in miles."""
    miles = 1.0 / shown.value(1.0, "distance")
    west, east = ax.get_xlim()
    length = MaxNLocator(8, steps=[1, 2, 5, 10]).tick_values(0.0, (east - west) / miles)[1]
    ax.add_artist(
        AnchoredSizeBar(
            ax.transData,
            length * miles,
            f"{length:g} {shown.unit('distance')} · north is up",
            "lower left",
            frameon=False,
            pad=0.0,
            borderpad=0.0,
            color=INK,
            zorder=25,
            fontproperties=FontProperties(size=6.8),
        )
    )
