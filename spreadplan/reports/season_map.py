"""The map of over-application: where the measurement supports it, and where it does not."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from numpy.typing import NDArray

from spreadplan.reports.figure import AMBER, INK, LINE, RED, house_style, panels, svg
from spreadplan.reports.map_parts import (
    ABOVE_ROADS,
    AREA,
    AREA_FACE,
    MOST_VERTICES,
    Label,
    Plane,
    add_shape,
    along,
    as_seen,
    draw_areas,
    frame_of,
    one_path,
    place_labels,
    scale_bar,
)
from spreadplan.views.display import Display, plural, short

WIDTH_IN: Final = 7.5
MOST_NAMED: Final = 12
DASHES: Final = (0, (2.0, 1.4))

Flags = NDArray[np.bool_]


def over_map(
    routes: gpd.GeoDataFrame,
    evidence: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    tallest_in: float,
    shown: Display,
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
    plane = Plane((west + east) / 2.0, (south + north) / 2.0)
    roads = plane.project(np.asarray(routes.geometry.array, dtype=object))
    bounds = shapely.total_bounds(roads)
    wide = max(bounds[2] - bounds[0], 1e-6)
    tall = (bounds[3] - bounds[1]) / wide
    roads = as_seen(roads, wide / 2.0)
    height_in = float(np.clip(WIDTH_IN * tall, 2.6, tallest_in)) + 0.3
    with house_style():
        figure, (ax,) = panels(1, WIDTH_IN, height_in, 1)
        ax.set_axis_off()
        ax.set_aspect("equal")
        area_labels = draw_areas(ax, areas, plane)
        _draw(ax, roads, found, doubtful)
        frame_of(ax, bounds)
        figure.canvas.draw()
        labels = [*_route_names(roads, routes["route_id"], found), *area_labels]
        place_labels(ax, labels, [])
        scale_bar(ax, shown)
        ax.legend(
            handles=_legend(len(areas) > 0),
            loc="upper left",
            bbox_to_anchor=(0, 1.0 + 0.28 / height_in),
            ncols=4,
            handlelength=2.4,
            columnspacing=1.4,
            borderaxespad=0,
        ).set_zorder(ABOVE_ROADS)
        return svg(figure, _in_words(routes, found, doubtful), "overmap")


def _draw(ax: Axes, roads: Any, found: Flags, doubtful: Flags) -> None:
    dense = len(shapely.get_coordinates(roads)) > MOST_VERTICES
    looks: tuple[tuple[Flags, str, float, Any], ...] = (
        (~found & ~doubtful, LINE, 1.1, "solid"),
        (doubtful, AMBER, 1.8, DASHES),
        (found, RED, 2.9, "solid"),
    )
    for order, (where, colour, width, dashes) in enumerate(looks):
        if where.any():
            add_shape(
                ax,
                PathPatch(
                    one_path(roads[where]),
                    fill=False,
                    edgecolor=colour,
                    linewidth=width,
                    linestyle=dashes,
                    capstyle="butt",
                    rasterized=dense,
                    zorder=3 + order,
                ),
            )


def _route_names(roads: Any, route_ids: pd.Series[str], found: Flags) -> Iterator[Label]:
    """Names of the routes with most segments found over."""
    for route in route_ids[found].value_counts().index[:MOST_NAMED]:
        own = roads[found & (route_ids == route).to_numpy()]
        longest = own[np.argsort(-shapely.length(own), kind="stable")[:4]]
        anchors = along(longest, (0.5, 0.3, 0.7))
        yield Label(
            text=short(str(route), 16), anchors=anchors, colour=INK, weight="bold", size=6.8
        )


def _legend(areas: bool) -> list[Any]:
    handles: list[Any] = [
        Line2D([], [], color=RED, linewidth=2.9, label="over, supported in a storm"),
        Line2D(
            [],
            [],
            color=AMBER,
            linewidth=1.8,
            linestyle=DASHES,
            label="above by the figure, not supported",
        ),
        Line2D([], [], color=LINE, linewidth=1.4, label="neither"),
    ]
    if areas:
        handles.append(
            Patch(facecolor=AREA_FACE, edgecolor=AREA, hatch="////", label="sensitive area")
        )
    return handles


def _in_words(routes: pd.DataFrame, found: Flags, doubtful: Flags) -> str:
    where = ", ".join(routes["route_id"][found].value_counts().index[:5])
    return (
        f"Map of {plural(len(routes), 'segment')}: {int(found.sum())} over in at least one storm "
        f"with the support of the measurement{f', on {where}' if where else ''}; "
        f"{int(doubtful.sum())} above by the bare figure only."
    )
