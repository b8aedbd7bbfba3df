"""Small road networks in metres, and trucks that drive them, for the tests of matching."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from spreadplan.matching.network import Network, build_network
from spreadplan.matching.projection import FloatArray, LocalPlane

CENTRE = LocalPlane(-93.0, 45.0)


def roads(
    lines: dict[str, list[tuple[float, float]]],
    one_way: tuple[str, ...] = (),
    routes: dict[str, str] | None = None,
) -> gpd.GeoDataFrame:
    """A routes table from named lines in metres around the centre; all of route R1 by default."""
    names = list(lines)
    geometry = []
    for name in names:
        x_m, y_m = np.array(lines[name], dtype=float).T
        geometry.append(shapely.linestrings(np.column_stack(CENTRE.unproject(x_m, y_m))))
    return gpd.GeoDataFrame(
        {
            "route_id": [(routes or {}).get(name, "R1") for name in names],
            "segment_id": names,
            "two_way": [name not in one_way for name in names],
            "speed_mph": 25.0,
        },
        geometry=geometry,
        crs=4326,
    )


def in_plane(network: Network, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Metres around the centre as metres in the network's own plane."""
    return network.plane.project(*CENTRE.unproject(x_m, y_m))


@dataclass(frozen=True)
class Drive:
    """Fixes of one truck in the network's plane."""

    time_s: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    speed_mps: FloatArray
    heading_deg: FloatArray

    def arrays(self) -> tuple[FloatArray, ...]:
        return self.time_s, self.x_m, self.y_m, self.speed_mps, self.heading_deg


def drive(
    network: Network,
    path: list[tuple[float, float]],
    speed_mps: float = 10.0,
    interval_s: float = 5.0,
    noise_m: float = 0.0,
    seed: int = 0,
) -> Drive:
    """Drive a path (metres around the centre) at a steady speed."""
    xy = np.array(path, dtype=float)
    at_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    where = np.arange(0.0, at_m[-1], speed_mps * interval_s)
    x_m, y_m = (np.interp(where, at_m, xy[:, axis]) for axis in (0, 1))
    leg = np.clip(np.searchsorted(at_m, where, side="right") - 1, 0, len(xy) - 2)
    step = np.diff(xy, axis=0)[leg]
    rng = np.random.default_rng(seed)
    x_m = x_m + rng.normal(0.0, noise_m, len(where))
    y_m = y_m + rng.normal(0.0, noise_m, len(where))
    return Drive(
        np.arange(len(where)) * interval_s,
        *in_plane(network, x_m, y_m),
        np.full(len(where), speed_mps),
        np.degrees(np.arctan2(step[:, 0], step[:, 1])) % 360.0,
    )


def grid(size: int, spacing_m: float = 120.0) -> Network:
    """A grid of two-way streets, size by size blocks."""
    lines = {}
    for i in range(size + 1):
        for j in range(size):
            a, b = j * spacing_m, (j + 1) * spacing_m
            lines[f"E{i}-{j}"] = [(a, i * spacing_m), (b, i * spacing_m)]
            lines[f"N{i}-{j}"] = [(i * spacing_m, a), (i * spacing_m, b)]
    return build_network(roads(lines))


def names(network: Network, segment: np.ndarray) -> list[str]:
    """Directed segments as text: ``A`` as digitised, ``-A`` against, ``off`` off the network."""
    return [
        "off" if s < 0 else ("-" if s & 1 else "") + str(network.segment_id[s >> 1])
        for s in segment
    ]


def runs(texts: list[str]) -> list[str]:
    """The texts without repeats in a row."""
    return [t for k, t in enumerate(texts) if k == 0 or texts[k - 1] != t]
