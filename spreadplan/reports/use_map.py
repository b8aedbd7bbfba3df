"""The map of over and under.

Width and stroke carry the verdict, colour only repeats it: solid and wide is too much, hollow is
probably too much, dashes and dots are too much by more rounds, long dashes are too little, short
ones probably too little, thin is within, dots are unknown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import matplotlib.patheffects as pe
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.reconcile.verdicts import MORE_ROUNDS_KIND
from spreadplan.reports.figure import INK, LINE, MUTED, OVER, UNDER, house_style, panels, svg
from spreadplan.reports.map_parts import (
    ABOVE_ROADS,
    AREA,
    AREA_FACE,
    MOST_VERTICES,
    Anchor,
    Label,
    Plane,
    add_shape,
    along,
    as_seen,
    draw_areas,
    draw_yards,
    frame_of,
    longest_each,
    one_path,
    place_labels,
    scale_bar,
)
from spreadplan.reports.use_charts import signed_percent
from spreadplan.views.display import Display, short
from spreadplan.views.words import TERMS, term

PALE_OVER: Final = "#f3d3dc"
TALLEST_IN: Final = 4.3
"""So that findings, figures and map stand on the first page."""
APART: Final = 6.0
"""Points kept free of labels are so many pixels apart."""
MOST_KEPT_FREE: Final = 600


@dataclass(frozen=True)
class _Stroke:
    """How a verdict is drawn; ``core`` is a thinner line inside, "" without."""

    colour: str
    width: float
    dashes: Any
    core: str = ""


NOTHING: Final = "nothing"
NOTHING_IN_WORDS: Final = "no plan, nothing spread"
STROKES: Final[Mapping[str, _Stroke]] = {
    NOTHING: _Stroke(LINE, 0.7, "solid"),
    "unknown": _Stroke(MUTED, 1.3, (0, (1, 1.6))),
    "within": _Stroke("#7d8a94", 1.0, "solid"),
    "probably_under": _Stroke(UNDER, 1.9, (0, (1.6, 1.3))),
    "under": _Stroke(UNDER, 3.0, (0, (3.2, 1.1))),
    MORE_ROUNDS_KIND: _Stroke(OVER, 2.6, (0, (4.5, 1.0, 1.0, 1.0))),
    "probably_over": _Stroke(OVER, 3.8, "solid", PALE_OVER),
    "over": _Stroke(OVER, 3.8, "solid"),
}
"""In the order of drawing: what matters lies on top."""
SEVERITY: Final = {name: place for place, name in enumerate(STROKES)}


def words_of(name: str) -> str:
    """A verdict in words; of a segment where nothing was planned or spread, that."""
    return NOTHING_IN_WORDS if name == NOTHING else term("use_verdict", name).words


def verdict_map(
    routes: gpd.GeoDataFrame,
    rows: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    yards: pd.DataFrame,
    piles: gpd.GeoDataFrame,
    shown: Display,
) -> Markup:
    """All routes by the verdict on their segments.

    Parameters
    ----------
    routes : the workspace's table.
    rows : segments as `use_segments.with_plan` returns them.
    areas, yards : the workspace's tables; may be empty.
    piles : mass released standing still that is worth a mark.
    """
    width_in = 7.5
    west, south, east, north = routes.total_bounds
    plane = Plane((west + east) / 2.0, (south + north) / 2.0)
    roads = plane.project(np.asarray(routes.geometry.array, dtype=object))
    stored = plane.project(shapely.points(yards[["lon", "lat"]].to_numpy(dtype=float)))
    bounds = shapely.total_bounds(np.concatenate([roads, stored]))
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1], 0.1)
    roads = as_seen(roads, span)
    tall = (bounds[3] - bounds[1]) / max(bounds[2] - bounds[0], 1e-6)
    verdict = worst_verdicts(routes, rows)
    with house_style():
        height_in = float(np.clip(width_in * tall, 2.9, TALLEST_IN)) + 0.4
        figure, (ax,) = panels(1, width_in, height_in, 1)
        ax.set_axis_off()
        ax.set_aspect("equal")
        area_labels = draw_areas(ax, areas, plane)
        _draw_verdicts(ax, roads, verdict)
        pile_labels = _draw_piles(ax, piles, plane, shown)
        yard_labels = draw_yards(ax, yards, plane)
        frame_of(ax, bounds)
        figure.canvas.draw()
        labels = [
            *yard_labels,
            *_verdict_labels(roads, routes, verdict, rows),
            *pile_labels,
            *_route_names(roads, routes["route_id"]),
            *area_labels,
        ]
        place_labels(
            ax,
            labels,
            [
                *yard_labels,
                Label(
                    text="", anchors=_kept_free(ax, roads, verdict), colour="", weight="", size=0
                ),
            ],
        )
        scale_bar(ax, shown)
        ax.legend(
            handles=_legend(verdict, len(areas) > 0, len(piles) > 0),
            loc="upper left",
            bbox_to_anchor=(0, 1.0 + 0.34 / height_in),
            ncols=5,
            fontsize=7,
            handlelength=3.0,
            columnspacing=1.4,
            borderaxespad=0,
        ).set_zorder(ABOVE_ROADS)
        return svg(figure, _in_words(verdict, routes), "use-map")


def worst_verdicts(routes: gpd.GeoDataFrame, rows: pd.DataFrame) -> NDArray[np.object_]:
    """The gravest verdict over all materials of each segment, shape (rows of ``routes``,).

    A trace of a material that was not planned is unknown, and so never hides the verdict on the
    planned one.
    """
    judged = rows[["route_id", "segment_id"]].assign(rank=rows["kind"].map(SEVERITY))
    worst = judged.groupby(["route_id", "segment_id"])["rank"].max()
    keys = pd.MultiIndex.from_arrays([routes["route_id"], routes["segment_id"]])
    rank = worst.reindex(keys).fillna(SEVERITY[NOTHING]).to_numpy(dtype=int)
    found: NDArray[np.object_] = np.array(list(STROKES), dtype=object)[rank]
    return found


def _draw_verdicts(ax: Axes, roads: Any, verdict: NDArray[np.object_]) -> None:
    dense = len(shapely.get_coordinates(roads)) > MOST_VERTICES
    for order, (name, stroke) in enumerate(STROKES.items()):
        where = verdict == name
        if not where.any():
            continue
        path = one_path(roads[where])
        cap = "butt" if stroke.dashes != "solid" else "round"
        strokes: list[tuple[str, float, Any]] = []
        if stroke.width > 1.5:
            strokes.append(("white", stroke.width + 1.6, "solid"))
        strokes.append((stroke.colour, stroke.width, stroke.dashes))
        if stroke.core:
            strokes.append((stroke.core, stroke.width - 1.6, "solid"))
        for place, (colour, width, dashes) in enumerate(strokes):
            add_shape(
                ax,
                PathPatch(
                    path,
                    fill=False,
                    edgecolor=colour,
                    linewidth=width,
                    linestyle=dashes,
                    capstyle=cap,
                    joinstyle="round",
                    rasterized=dense,
                    zorder=3 + order + place / 10,
                ),
            )


def _draw_piles(ax: Axes, piles: gpd.GeoDataFrame, plane: Plane, shown: Display) -> list[Label]:
    labels = []
    for pile in lines(piles):
        at = plane.project(pile.geometry)
        ax.plot(
            at.x,
            at.y,
            marker="^",
            markersize=6,
            color="white",
            markeredgecolor=INK,
            markeredgewidth=1.2,
            zorder=19,
        )
        text = f"pile {shown.show(pile.mass_lb, 'mass')}"
        labels.append(
            Label(
                text=text,
                anchors=(Anchor(at.x, at.y),),
                colour=INK,
                weight="normal",
                size=6.5,
                away=5.0,
            )
        )
    return labels


def _verdict_labels(
    roads: Any, routes: gpd.GeoDataFrame, verdict: NDArray[np.object_], rows: pd.DataFrame
) -> Iterator[Label]:
    """One label for each route with a clear verdict, the longest stretch first."""
    clear = np.isin(verdict, ["over", "under"])
    named = pd.MultiIndex.from_arrays([verdict[clear], routes["route_id"].to_numpy()[clear]])
    masses = rows.groupby(["kind", "route_id"])[["applied_lb", "planned_lb"]].sum()
    departures = 100.0 * (masses["applied_lb"] / masses["planned_lb"] - 1.0)
    for (name, route), longest in longest_each(named.to_flat_index(), roads[clear]).items():
        departure = float(departures[name, route])
        text = f"{short(str(route), 14)} {name} {signed_percent(departure)}"
        yield Label(
            text=text,
            anchors=along(longest, (0.5, 0.3, 0.7)),
            colour=OVER if name == "over" else UNDER,
            weight="bold",
            size=7.2,
            away=7.0,
        )


def _kept_free(ax: Axes, roads: Any, verdict: NDArray[np.object_]) -> tuple[Anchor, ...]:
    """Points along the clear verdicts, so close that no label fits between: none may cover them."""
    clear = shapely.get_parts(roads[np.isin(verdict, ["over", "under"])])
    if not len(clear):
        return ()
    pixel = 1.0 / float(
        ax.transData.transform((1.0, 0.0))[0] - ax.transData.transform((0.0, 0.0))[0]
    )
    step = max(APART * pixel, float(shapely.length(clear).sum()) / MOST_KEPT_FREE)
    points = shapely.get_coordinates(shapely.segmentize(clear, step))
    return tuple(
        Anchor(float(x), float(y)) for x, y in points[:: max(1, len(points) // MOST_KEPT_FREE)]
    )


def _route_names(roads: Any, route_ids: pd.Series[str]) -> Iterator[Label]:
    """Names to find one's way by, the longest routes first."""
    for route, longest in longest_each(route_ids.to_numpy(), roads).items():
        anchors = along(longest, (0.5, 0.3))
        yield Label(
            text=short(str(route), 16), anchors=anchors, colour=MUTED, weight="normal", size=6.5
        )


def _legend(verdict: NDArray[np.object_], areas: bool, piles: bool) -> list[Any]:
    handles: list[Any] = []
    for name in (*TERMS["use_verdict"], NOTHING):
        if (verdict == name).any():
            stroke = STROKES[name]
            effects: list[Any] = [pe.Normal()]
            if stroke.core:
                effects.append(pe.Stroke(linewidth=stroke.width - 1.6, foreground=stroke.core))
            handles.append(
                Line2D(
                    [],
                    [],
                    color=stroke.colour,
                    linewidth=stroke.width,
                    linestyle=stroke.dashes,
                    label=words_of(name),
                    path_effects=effects,
                )
            )
    if piles:
        handles.append(
            Line2D(
                [],
                [],
                marker="^",
                color="white",
                markeredgecolor=INK,
                linewidth=0,
                markersize=6,
                label="pile, standing still",
            )
        )
    if areas:
        handles.append(
            Patch(facecolor=AREA_FACE, edgecolor=AREA, hatch="////", label="sensitive area")
        )
    handles.append(Line2D([], [], color=INK, marker="s", linewidth=0, markersize=5, label="yard"))
    return handles


def _in_words(verdict: NDArray[np.object_], routes: gpd.GeoDataFrame) -> str:
    counts = pd.Series(verdict).value_counts()
    said = ", ".join(
        f"{counts[name]} {words_of(name)}"
        for name in (*TERMS["use_verdict"], NOTHING)
        if name in counts
    )
    where = []
    for name in ("over", "under"):
        named = sorted(set(routes["route_id"][verdict == name]))
        if named:
            where.append(f"{name} on route {', '.join(named[:20])}")
    more = f" Segments {'; '.join(where)}." if where else ""
    return f"Map of the segments by verdict: {said}.{more}"
