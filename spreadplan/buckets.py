"""What a loader's bucket holds, learnt from tickets that have both a weight and a count of buckets.

Masses in lb, uncertainties relative and standard.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines

PILE: Final = ["yard_id", "material"]

USUAL_BUCKET_FT3: Final = 54.0
"""A loader's bucket where no ticket tells, 2 cubic yards. Common practice, no source."""

USUAL_LB_FT3: Final = 80.0
"""Bulk density of a material that states none. Common practice, no source."""

BUCKET_U: Final = 0.30
"""Uncertainty of a bucket of which nothing is known, or only what those of other yards hold:
loaders differ. Common practice, no source."""

FILL_U: Final = 0.14
"""How full one bucket is filled against another, before the yard's tickets tell; they weigh as much
as `FILL_TICKETS` tickets. Common practice, no source."""
FILL_TICKETS: Final = 4.0

HABIT_U: Final = 0.02
"""What the way of filling changes from the weighed loads to the counted ones. Common practice, no
source."""

KNOWN_TICKETS: Final = 3
"""Fewer weighed tickets of a yard are few. Common practice, no source."""

SCALES: Final = ("scale", "loader_scale")
FILLED: Final = ("bucket_common_u", "bucket_own_u")
"""Columns of tickets whose mass comes from their buckets: what all of the pile have in common, and
what is new in each; NaN of other tickets."""


def bucket_table(tickets: pd.DataFrame, lb_ft3: Mapping[str, float]) -> pd.DataFrame:
    """What a bucket holds in each yard of each material that buckets were counted of.

    Parameters
    ----------
    tickets : yard_id, material, net_lb, buckets, method, of all storms; those that `with_masses`
        has filled count as if they had no mass.
    lb_ft3 : bulk density of each material; NaN: not stated.

    Returns
    -------
    yard_id, material, lb_per_bucket, u (relative, common to all its tickets), fill_u (relative, of
    one bucket), tickets (weighed, with buckets), known (``yard``, ``few``, ``others`` or
    ``assumed``: what it rests on), in order of yard and material.
    """
    rows = tickets[tickets["buckets"] > 0.0]
    columns = [*PILE, "lb_per_bucket", "u", "fill_u", "tickets", "known"]
    weighed = _weighed(rows)
    sums = weighed.groupby(PILE)[["net_lb", "buckets"]].sum()
    found = []
    for yard, material in sorted({(row.yard_id, row.material) for row in lines(rows[PILE])}):
        own = weighed[(weighed["yard_id"] == yard) & (weighed["material"] == material)]
        others = sums[
            (sums.index.get_level_values(1) == material) & (sums.index.get_level_values(0) != yard)
        ].sum()
        density = lb_ft3.get(material, np.nan)
        assumed = USUAL_BUCKET_FT3 * (density if density == density else USUAL_LB_FT3)
        elsewhere = others["buckets"] > 0.0
        before = float(others["net_lb"] / others["buckets"]) if elsewhere else assumed
        known = "few" if 0 < len(own) < KNOWN_TICKETS else "yard" if len(own) else ""
        mass, u, fill_u = _learnt(own, before)
        known = known or ("others" if elsewhere else "assumed")
        found.append((yard, material, mass, u, fill_u, len(own), known))
    return pd.DataFrame(found, columns=columns)


def _weighed(rows: pd.DataFrame) -> pd.DataFrame:
    """Tickets whose mass a scale tells.

    Where nobody says how it was found, and all of a pile's tickets have one and the same mass a
    bucket, that was reckoned from the buckets and not weighed.
    """
    filled = rows[FILLED[0]].notna() if FILLED[0] in rows else pd.Series(False, rows.index)
    method = rows["method"] if "method" in rows else pd.Series("", rows.index)
    told = rows[(rows["net_lb"] > 0.0) & ~filled & method.isin([*SCALES, ""])]
    each = (told["net_lb"] / told["buckets"]).groupby([told[name] for name in PILE])
    alike = (each.transform("count") > 1) & (each.transform("max") < 1.001 * each.transform("min"))
    return pd.DataFrame(told[~(alike & method[told.index].eq(""))])


def _learnt(own: pd.DataFrame, before_lb: float) -> tuple[float, float, float]:
    """Mass of a bucket, its uncertainty, and that of the filling of one.

    The yard's own tickets and what is thought before them, weighed by their uncertainties, of the
    logarithm. Source: JCGM 100:2008, and the normal distribution's rule for a prior.
    """
    if own.empty:
        return before_lb, BUCKET_U, FILL_U
    net, buckets = own["net_lb"].to_numpy(dtype=float), own["buckets"].to_numpy(dtype=float)
    mean = float(net.sum() / buckets.sum())
    apart = float((buckets * (net / (buckets * mean) - 1.0) ** 2).sum())
    fill = np.sqrt((FILL_TICKETS * FILL_U**2 + apart) / (FILL_TICKETS + len(own) - 1.0))
    own_u = float(fill / np.sqrt(buckets.sum()))
    weight = BUCKET_U**2 / (BUCKET_U**2 + own_u**2)
    mass = float(np.exp(weight * np.log(mean) + (1.0 - weight) * np.log(before_lb)))
    return mass, float(np.hypot(own_u * np.sqrt(weight), HABIT_U)), float(fill)


def with_masses(tickets: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Tickets without a mass, but with buckets, with the mass of those and its uncertainty.

    Parameters
    ----------
    tickets : yard_id, material, net_lb (NaN: not weighed), buckets, method.
    table : as `bucket_table` gives it.

    Returns
    -------
    ``tickets`` with net_lb, method and `FILLED`.
    """
    lacking = tickets["net_lb"].isna() & (tickets["buckets"] > 0.0)
    of_pile: Any = tickets[PILE].merge(table, on=PILE, how="left").set_index(tickets.index)
    counted = tickets["buckets"].where(lacking)
    return tickets.assign(
        net_lb=tickets["net_lb"].fillna(of_pile["lb_per_bucket"] * counted),
        method=tickets["method"].mask(lacking, "bucket_count"),
        bucket_common_u=of_pile["u"].where(lacking),
        bucket_own_u=of_pile["fill_u"].where(lacking) / np.sqrt(counted),
    )
