"""Does a treatment work, and until when? Guidance for the planner: not a promise, never an order.

Salt need not melt the snow, it has to keep it from bonding to the road until the truck is back: to
melt it all is called an overuse (Minnesota Snow and Ice Control Field Handbook for Snowplow
Operators, LRRB manual 2005-01, p. 9). Snow that holds some brine stays loose. What falls takes up
the chemical that lies on the road; the treatment holds while

    chemical / (chemical + water) >= share x strength of the brine that just freezes there

Traffic, wind, sun, what bounces off and what runs off are not known and are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.planning.applications import ALL, Moment
from spreadplan.planning.melting import LB_PER_IN_FT2, strength_at

Floats = NDArray[np.float64]

LOOSE_SHARE: Final = 0.10
"""Share of brine, by weight, that keeps snow loose on a road. Influence of NaCl Aqueous Solution on
Compacted Snow: Field Investigation, Journal of Cold Regions Engineering (ASCE), 2020, abstract:
10 % keeps it loose and easily removed, 5 % weakens it so that it is more easily plowed. The
abstract states no temperature; -2 C is our choice."""
PLOWED_SHARE: Final = 0.05
"""The same where trucks plow as they treat."""
COLDER: Final = ((-17.0, 5.0), (-6.0, 1.7), (-2.0, 1.0))
"""Temperature in C and how many times as much brine does the same as at -2 C. J. Wahlin and A.
Klein-Paste, Temperature Dependence of Solution-Induced Weakening of Compacted Snow, Transportation
Research Record 2482 (2015), abstract. Between them along straight lines; warmer than -2 C as there,
colder than -17 C along the last line, which is ours."""


@dataclass(frozen=True)
class Sky:
    """The forecast of one zone in time, in stretches without a gap.

    edges_min : shape (m + 1,), minutes of the clock. temp_f, u_f, water_in_per_min : of each
    stretch, shape (m,); NaN where nothing is forecast. Water counts as depth of water in inches.
    """

    edges_min: Floats
    temp_f: Floats
    u_f: Floats
    water_in_per_min: Floats

    def fallen_in(self, since_min: Floats, until_min: Floats) -> Floats:
        """Inches of water between two times, shape of the times; NaN where some is not forecast.

        Before the first stretch nothing falls that is known of, and so nothing is counted.
        """
        begin = np.clip(since_min[..., None], self.edges_min[:-1], self.edges_min[1:])
        end = np.clip(until_min[..., None], self.edges_min[:-1], self.edges_min[1:])
        minutes = end - begin
        depth = np.where(minutes > 0, minutes * self.water_in_per_min, 0.0)
        return np.asarray(depth.sum(axis=-1))


def sky_of(
    forecast: pd.DataFrame,
    zone: str,
    labels: Sequence[str],
    minutes: Callable[[Moment], float],
) -> Sky:
    """The forecast of a zone in time.

    Parameters
    ----------
    forecast : as `labelled_forecast` returns it, with pavement_temp_u_f of every row.
    labels : the storm's rounds. In each of them the zone's own rows count, else those of "*".
    minutes : a moment in minutes of the clock.

    Returns
    -------
    Where rows overlap the coldest pavement counts and water adds up.
    """
    own = set(forecast.loc[forecast["zone"] == zone, "application"])
    source = {label: zone if label in own else ALL for label in labels}
    rows = forecast[forecast["application"].map(source) == forecast["zone"]]
    start = np.array([minutes(one) for one in rows["start"]], dtype=float)
    end = np.array([minutes(one) for one in rows["end"]], dtype=float)
    edges = np.unique(np.concatenate([start, end]))
    edges = edges[~np.isnan(edges)]
    if edges.size < 2:
        return Sky(np.zeros(1), *(np.zeros(0) for _ in range(3)))
    water = rows["precipitation_in"].to_numpy(dtype=float) / (end - start)
    temp = rows["pavement_temp_f"].to_numpy(dtype=float)
    u_f = rows["pavement_temp_u_f"].to_numpy(dtype=float)
    stretches = np.full((3, edges.size - 1), np.nan)
    for place in range(edges.size - 1):
        held = np.flatnonzero((start <= edges[place]) & (end >= edges[place + 1]))
        if held.size and not np.isnan(temp[held]).any():
            coldest = held[np.argmin(temp[held])]
            stretches[:, place] = temp[coldest], u_f[coldest], water[held].sum()
    return Sky(edges, *stretches)


def brine_share(temp_f: Floats, plowed: bool) -> Floats:
    """Share of brine in snow, by weight, that keeps it from bonding; shape of ``temp_f``.

    >>> np.round(brine_share(np.array([28.4, 21.2, 1.4]), plowed=False), 3)
    array([0.1 , 0.17, 0.5 ])
    """
    temp_c = (np.asarray(temp_f, dtype=float) - 32.0) / 1.8
    known_c, times = np.array(COLDER).T
    slope = (times[1] - times[0]) / (known_c[1] - known_c[0])
    below = np.minimum(temp_c - known_c[0], 0.0) * slope
    share = (PLOWED_SHARE if plowed else LOOSE_SHARE) * (np.interp(temp_c, known_c, times) + below)
    return np.asarray(np.minimum(share, 1.0))


def strength_needed_pct(chemical: str, temp_f: Floats, plowed: bool) -> Floats:
    """Least strength of brine and snow together that holds, weight percent of dry chemical.

    0 at or above 32 F; NaN where no brine of the chemical stays liquid or no curve is held.
    """
    return brine_share(temp_f, plowed) * strength_at(chemical, temp_f)


@dataclass(frozen=True)
class Lies:
    """What lies on pieces of road when they have been treated; arrays of shape (n,).

    since_min : when, minutes of the clock. chemical_lb_ft2 : dry chemical on a square foot.
    water_in : depth of water in inches; NaN where it is not known.
    """

    since_min: Floats
    chemical_lb_ft2: Floats
    water_in: Floats


def gives_out_min(
    lies: Lies, sky: Sky, chemical: str, plowed: bool, warmer_f: Floats | float = 0.0
) -> tuple[Floats, Floats]:
    """When the strength on pieces of road falls below what holds.

    Parameters
    ----------
    lies : what lies there, shape (n,).
    warmer_f : added to the temperature of each stretch of the sky, degrees F.

    Returns
    -------
    Minutes at which it gives out, infinite where it does not as far as is known, and minutes until
    which it is known; each of shape (n,).
    """
    needed = strength_needed_pct(chemical, sky.temp_f + warmer_f, plowed)
    water = lies.water_in.copy()
    out = np.full(water.shape, np.inf)
    known = np.where(np.isnan(water), lies.since_min, np.inf)
    open_ = ~np.isnan(water)
    for place, (temp, strength, rate) in enumerate(
        zip(sky.temp_f, needed, sky.water_in_per_min, strict=True)
    ):
        begin = np.maximum(lies.since_min, sky.edges_min[place])
        end = sky.edges_min[place + 1]
        now = open_ & (end > begin)
        if np.isnan(temp) or np.isnan(rate):
            known[now], open_ = begin[now], open_ & ~now
            continue
        most = _most_water_in(lies.chemical_lb_ft2, float(strength))
        later = water + rate * (end - begin)
        over = now & (later > most)
        wait = np.divide(most - water, rate, out=np.zeros(water.shape), where=over & (rate > 0))
        out[over] = (begin + np.maximum(wait, 0.0))[over]
        open_ &= ~over
        water[now] = later[now]
    known[open_] = np.maximum(lies.since_min, sky.edges_min[-1])[open_]
    return out, np.where(np.isfinite(out), np.inf, known)


def _most_water_in(chemical_lb_ft2: Floats, strength_pct: float) -> Floats:
    """Most inches of water at a strength; infinite at 0 %, less than none where none is liquid."""
    if np.isnan(strength_pct):
        return np.full(chemical_lb_ft2.shape, -1.0)
    if strength_pct == 0.0:
        return np.full(chemical_lb_ft2.shape, np.inf)
    return np.asarray(chemical_lb_ft2 * (100.0 / strength_pct - 1.0) / LB_PER_IN_FT2)
