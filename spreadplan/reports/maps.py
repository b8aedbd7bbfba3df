"""The map of a plan: routes coloured by rate, with sensitive areas and yards.

Drawn in miles on a plane that touches the middle of the network: for looking, not for measuring.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
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

from spreadplan.remarks import remark
from spreadplan.reports.figure import INK, MUTED, RED, STEPS, house_style, panels, svg
from spreadplan.reports.map_parts import (
    ABOVE_ROADS,
    AREA,
    AREA_FACE,
    MOST_VERTICES,
    Floats,
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
from spreadplan.views.display import Display, as_text, short
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS

#: statuses whose rate is not reached or not known to be.
IN_DOUBT: Final = ("infeasible", "uncalibrated", "do_not_use", "no_rate", "unassigned")
CASING: Final = "#4a5660"
WIDTHS: Final = (1.5, 1.9, 2.3, 2.7, 3.1)
POINTS: Final = 500
"""Rates are grouped as met at so many places, evenly along all roads."""
_STEP: Final = 1.0
"""Rates are classed to this, in the unit shown."""


def rate_map(
    segments: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    yards: pd.DataFrame,
    voice: Voice,
    name: str,
    lowest: Floats | None = None,
    tallest_in: float = 5.9,
) -> Markup:
    """Routes of one application, coloured and widened by planned rate.

    Parameters
    ----------
    segments : of the plan: route_id, status, target_ and achieved_rate_lb_per_lane_mile, geometry.
    areas : sensitive areas: name, area_id, geometry; may be empty.
    yards : yard_id, lon, lat.
    name : short and unique in its page.
    lowest : lowest rate of each class (`shared_classes`), so that several maps share their
        colours; None: classes of its own.
    """
    shown, width_in = voice.display, 7.5
    west, south, east, north = segments.total_bounds
    plane = Plane((west + east) / 2.0, (south + north) / 2.0)
    roads = plane.project(np.asarray(segments.geometry.array, dtype=object))
    stored = plane.project(shapely.points(yards[["lon", "lat"]].to_numpy(dtype=float)))
    bounds = shapely.total_bounds(np.concatenate([roads, stored]))
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1], 0.1)
    roads = as_seen(roads, span)
    tall = (bounds[3] - bounds[1]) / max(bounds[2] - bounds[0], 1e-6)
    rate = shown.values(planned_rate(segments), "rate")
    if lowest is None:
        lowest = rate_classes(rate, shapely.length(roads))
    number = np.searchsorted(lowest, np.round(rate / _STEP) * _STEP, side="right") - 1
    number = np.where(rate > 0, np.maximum(number, 0), -1)
    with house_style():
        height_in = float(np.clip(width_in * tall, 2.9, tallest_in - 0.35)) + 0.35
        figure, (ax,) = panels(1, width_in, height_in, 1)
        ax.set_axis_off()
        ax.set_aspect("equal")
        area_labels = draw_areas(ax, areas, plane)
        _draw_roads(ax, roads, number, len(lowest), segments["status"].to_numpy())
        yard_labels = draw_yards(ax, yards, plane)
        frame_of(ax, bounds)
        figure.canvas.draw()
        labels = [*yard_labels, *_route_labels(roads, segments["route_id"]), *area_labels]
        place_labels(ax, labels, yard_labels)
        scale_bar(ax, shown)
        ranges = _ranges(rate, number, len(lowest))
        ax.legend(
            handles=_legend(ranges, segments["status"], shown, len(areas) > 0),
            loc="upper left",
            bbox_to_anchor=(0, 1.0 + 0.3 / height_in),
            ncols=4,
            fontsize=7,
            handlelength=2.2,
            columnspacing=1.4,
            borderaxespad=0,
        ).set_zorder(ABOVE_ROADS)
        return svg(figure, _in_words(segments, areas, yards, voice), name)


def shared_classes(segments: gpd.GeoDataFrame, shown: Display) -> Floats:
    """Lowest rate of each class over all applications, in the unit shown."""
    rate = shown.values(planned_rate(segments), "rate")
    return rate_classes(rate, segments["lane_miles"].to_numpy(dtype=float))


def planned_rate(segments: pd.DataFrame) -> Floats:
    """The rate that the plan gives each segment: as achieved, or the target where that is open."""
    achieved = segments["achieved_rate_lb_per_lane_mile"]
    as_set = ~segments["status"].isin(IN_DOUBT) & achieved.notna()
    return achieved.where(as_set, segments["target_rate_lb_per_lane_mile"]).to_numpy(dtype=float)


def rate_classes(rate: Floats, length: Floats, most: int = len(STEPS)) -> Floats:
    """Lowest rate of each class, ascending: natural groups, so that like rates share a colour.

    Parameters
    ----------
    rate : shape (n,); values that are missing or not above 0 are left out.
    length : of the road with each rate, shape (n,). A rate of much of the network is kept apart
        from its neighbours before one that is hardly seen.

    Source: J. H. Ward, Hierarchical grouping to optimize an objective function, J. Am. Stat. Assoc.
    58 (1963): groups are joined so that the squares within them grow least.
    """
    known = np.isfinite(rate) & (rate > 0)
    values, places = np.unique(np.round(rate[known] / _STEP) * _STEP, return_inverse=True)
    if len(values) <= most:
        return values
    from scipy.cluster import hierarchy

    reach = np.cumsum(np.bincount(places, weights=length[known]))
    along_roads = np.linspace(0.0, reach[-1], POINTS + 1)[1:]
    points = values[np.searchsorted(reach, along_roads)]
    group = hierarchy.fcluster(hierarchy.ward(points[:, np.newaxis]), most, "maxclust")
    return points[np.flatnonzero(np.diff(group, prepend=0))]


def _colours(classes: int) -> list[tuple[str, float]]:
    """Colour and width of each class, spread over the whole ramp."""
    if classes <= 1:
        return [(STEPS[2], WIDTHS[2])]
    places = np.linspace(0, len(STEPS) - 1, classes).round().astype(int)
    return [(STEPS[place], WIDTHS[place]) for place in places]


def _draw_roads(
    ax: Axes, roads: Any, number: NDArray[np.int64], classes: int, status: NDArray[np.object_]
) -> None:
    """``number``: the class of each road, -1 where nothing is spread."""
    dense = len(shapely.get_coordinates(roads)) > MOST_VERTICES

    def draw(where: NDArray[np.bool_], order: int, colour: str, width: float, **style: Any) -> None:
        if where.any():
            add_shape(
                ax,
                PathPatch(
                    one_path(roads[where]),
                    fill=False,
                    edgecolor=colour,
                    linewidth=width,
                    capstyle="round",
                    joinstyle="round",
                    rasterized=dense,
                    zorder=order,
                    **style,
                ),
            )

    draw(number < 0, 2, MUTED, 0.9, linestyle=(0, (1, 2)))
    for place, (colour, width) in enumerate(_colours(classes)):
        draw(number == place, 3, CASING, width + 0.9)
        draw(number == place, 4 + place, colour, width)
    doubt = np.isin(status, IN_DOUBT)
    draw(doubt, 11, "white", 1.5)
    draw(doubt, 12, RED, 1.5, linestyle=(0, (1.2, 1.6)))


def _route_labels(roads: Any, route_ids: Iterable[str]) -> Iterator[Label]:
    """Labels of routes, the longest first, near the middle of their longest segments."""
    for route, longest in longest_each(list(route_ids), roads).items():
        anchors = along(longest, (0.5, 0.3, 0.7))
        yield Label(
            text=short(str(route), 16), anchors=anchors, colour=INK, weight="bold", size=6.8
        )


def _ranges(rate: Floats, number: NDArray[np.int64], classes: int) -> list[str]:
    """The lowest and the highest rate of each class, in words; "" where a map has none of it."""
    ranges = []
    for place in range(classes):
        mine = rate[number == place]
        low, high = (
            as_text(float(end), 0) if len(mine) else ""
            for end in (mine.min(initial=np.inf), mine.max(initial=-np.inf))
        )
        ranges.append(low if low == high else f"{low} to {high}")
    return ranges


def _legend(
    ranges: Sequence[str], status: pd.Series[str], shown: Display, areas: bool
) -> list[Any]:
    handles: list[Any] = [
        Line2D(
            [],
            [],
            color=colour,
            linewidth=width,
            label=f"{words} {shown.unit('rate')}",
            path_effects=[pe.Stroke(linewidth=width + 0.9, foreground=CASING), pe.Normal()],
        )
        for words, (colour, width) in zip(ranges, _colours(len(ranges)), strict=True)
        if words
    ]
    if status.eq("untreated").any():
        handles.append(
            Line2D(
                [],
                [],
                color=MUTED,
                linewidth=0.9,
                linestyle=(0, (1, 2)),
                label=TERMS["plan_map"]["none"].words,
            )
        )
    if status.isin(IN_DOUBT).any():
        handles.append(
            Line2D(
                [],
                [],
                color=RED,
                linewidth=1.5,
                linestyle=(0, (1.2, 1.6)),
                label=TERMS["plan_map"]["doubt"].words,
            )
        )
    if areas:
        handles.append(
            Patch(facecolor=AREA_FACE, edgecolor=AREA, hatch="////", label="sensitive area")
        )
    handles.append(Line2D([], [], color=INK, marker="s", linewidth=0, markersize=5, label="yard"))
    return handles


def _in_words(
    segments: pd.DataFrame, areas: pd.DataFrame, yards: pd.DataFrame, voice: Voice
) -> str:
    rate = planned_rate(segments)
    known = rate[np.isfinite(rate) & (rate > 0)]
    rates = remark("no_rates_drawn")
    if len(known):
        rates = remark("rates_drawn", ends=(float(known.min()), float(known.max())))
    routes = segments["route_id"].nunique()
    return voice.say(
        remark("plan_drawn", routes=routes, rates=rates, areas=len(areas), yards=len(yards))
    )
