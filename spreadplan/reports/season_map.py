"""The map of over-application: where the measurement supports it, and where it does not.

Drawn with longitude shortened to the latitude of the network: for looking, not for measuring.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path

from spreadplan.frames import lines
from spreadplan.reports.figure import AMBER, INK, LINE, MUTED, RED, house_style, panels, svg
from spreadplan.reports.map_parts import AREA, AREA_FACE
from spreadplan.views.display import plural, short

WIDTH_IN: Final = 7.5
MOST_VERTICES: Final = 20_000
"""With more, the lines become a picture inside the chart: a file stays small."""
MOST_NAMED: Final = 12
APART: Final = 0.035
"""Names stand at least this share of the map's width apart."""


def over_map(
    routes: gpd.GeoDataFrame, evidence: pd.DataFrame, areas: gpd.GeoDataFrame, tallest_in: float
) -> Markup | None:
    """Segments above their limit in any storm of the season.

    Parameters
    ----------
    routes : route_id, segment_id, geometry in WGS 84 degrees.
    evidence : see `season.overuse.evidence`.
    areas : sensitive areas: area_id, name, geometry; may be empty.
    """
    if not len(evidence):
        return None
    keys = ["route_id", "segment_id"]
    supported = evidence.groupby(keys)["supported"].any()
    state = supported.reindex(pd.MultiIndex.from_frame(routes[keys])).to_numpy(dtype=object)
    found, doubtful = (np.array([one == want for one in state]) for want in (True, False))
    west, south, east, north = routes.total_bounds
    shrink = float(np.cos(np.radians((south + north) / 2.0)))
    tall = (north - south) / max((east - west) * shrink, 1e-9)
    height_in = float(np.clip(WIDTH_IN * tall, 2.6, tallest_in))
    with house_style():
        figure, (ax,) = panels(1, WIDTH_IN, height_in + 0.3, 1)
        ax.set_axis_off()
        ax.set_aspect(1.0 / shrink)
        _draw_areas(ax, areas)
        roads = shapely.simplify(
            np.asarray(routes.geometry.array, dtype=object), tall / 3000.0 * (east - west)
        )
        dense = len(shapely.get_coordinates(roads)) > MOST_VERTICES
        for where, colour, width, dashes in (
            (~found & ~doubtful, LINE, 1.1, None),
            (doubtful, AMBER, 1.8, (2.0, 1.4)),
            (found, RED, 2.9, None),
        ):
            _draw(ax, roads[where], colour, width, dashes, dense)
        _names(ax, roads, routes["route_id"], found, areas, east - west)
        ax.autoscale_view()
        ax.legend(
            handles=_legend(len(areas) > 0),
            loc="upper left",
            bbox_to_anchor=(0, 1.0 + 0.28 / height_in),
            ncols=4,
            handlelength=2.4,
            columnspacing=1.4,
            borderaxespad=0,
        )
        return svg(figure, _in_words(routes, found, doubtful), "overmap")


def _draw(ax: Axes, roads: Any, colour: str, width: float, dashes: Any, dense: bool) -> None:
    parts = [shapely.get_coordinates(part) for part in shapely.get_parts(roads)]
    style: Any = (0, dashes) if dashes else "solid"
    ax.add_collection(
        LineCollection(
            parts,
            colors=colour,
            linewidths=width,
            linestyles=style,
            capstyle="butt",
            rasterized=dense,
        )
    )


def _draw_areas(ax: Axes, areas: gpd.GeoDataFrame) -> None:
    for area in lines(areas):
        for polygon in shapely.get_parts(area.geometry):
            rings = [polygon.exterior, *polygon.interiors]
            path = Path.make_compound_path(*(Path(np.asarray(ring.coords)) for ring in rings))
            ax.add_patch(
                PathPatch(
                    path, facecolor=AREA_FACE, edgecolor=AREA, linewidth=0.8, hatch="////", zorder=0
                )
            )


def _names(
    ax: Axes,
    roads: Any,
    route_ids: pd.Series[str],
    found: Any,
    areas: gpd.GeoDataFrame,
    width: float,
) -> None:
    """Names of areas, and of the routes with most segments found over; none on another."""
    taken: list[tuple[float, float]] = []
    wanted = [
        (area.geometry.representative_point(), short(area.name or area.area_id, 30), MUTED)
        for area in lines(areas)
    ]
    counts = route_ids[found].value_counts().index[:MOST_NAMED]
    for route in counts:
        own = roads[found & (route_ids == route).to_numpy()]
        longest = own[int(np.argmax(shapely.length(own)))]
        middle = shapely.line_interpolate_point(longest, 0.5, normalized=True)
        wanted.insert(0, (middle, short(str(route), 16), INK))
    for point, text, colour in wanted:
        near = any(
            abs(point.x - x) < APART * width * 2 and abs(point.y - y) < APART * width / 2
            for x, y in taken
        )
        if near:
            continue
        taken.append((point.x, point.y))
        ax.annotate(
            text,
            (point.x, point.y),
            xytext=(4, 4),
            textcoords="offset points",
            fontsize=6.8,
            color=colour,
            fontweight="bold" if colour == INK else "normal",
            bbox={"facecolor": "white", "alpha": 0.82, "pad": 0.7, "linewidth": 0},
        )


def _legend(areas: bool) -> list[Any]:
    handles: list[Any] = [
        Line2D([], [], color=RED, linewidth=2.9, label="over, supported in a storm"),
        Line2D(
            [],
            [],
            color=AMBER,
            linewidth=1.8,
            linestyle=(0, (2.0, 1.4)),
            label="above by the figure, not supported",
        ),
        Line2D([], [], color=LINE, linewidth=1.4, label="neither"),
    ]
    if areas:
        handles.append(
            Patch(facecolor=AREA_FACE, edgecolor=AREA, hatch="////", label="sensitive area")
        )
    return handles


def _in_words(routes: pd.DataFrame, found: Any, doubtful: Any) -> str:
    where = ", ".join(routes["route_id"][found].value_counts().index[:5])
    return (
        f"Map of {plural(len(routes), 'segment')}: {int(found.sum())} over in at least one storm "
        f"with the support of the measurement{f', on {where}' if where else ''}; "
        f"{int(doubtful.sum())} above by the bare figure only."
    )
