"""Until when each treatment of a plan holds, against when the truck is back.

What a truck puts down lies with what fell since. Where trucks plow as they treat, what lay there is
taken off first, and with it what earlier treatments left; where they do not, or nobody says so,
both stay. `snow_on_road` says when the strength of it no longer keeps the snow loose.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.planning.applications import Application, Moment
from spreadplan.planning.frames import groups
from spreadplan.planning.melting import (
    NACL_PRACTICAL_LIMIT_F,
    Melter,
    chemical_lb_ft2,
    depth_of_water_in,
    eutectic_f,
)
from spreadplan.planning.snow_on_road import Lies, Sky, gives_out_min, sky_of
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS

Floats = NDArray[np.float64]
Objects = NDArray[np.object_]

#: columns of `holding` that are minutes of the clock
TIMES: Final = ("holds_min", "colder_min", "warmer_min", "needed_min")
#: the same as columns of the plan, which are moments
UNTIL: Final = ("holds_until", "holds_until_colder", "holds_until_warmer", "needed_until")
WORST_FIRST: Final = ("gives out", "unknown", "holds", "abrasive", "")
NOT_JUDGED: Final = ("", "none")


@dataclass(frozen=True)
class Spread:
    """What a treatment puts down on pieces of road; arrays of one shape.

    chemical : as `Melter` has it. lb_ft2 : dry chemical on a square foot; NaN: not known, or
    nothing is spread. own_water_in : depth of the water of a liquid, inches.
    """

    chemical: Objects
    lb_ft2: Floats
    own_water_in: Floats

    def at(self, places: Any) -> Spread:
        """The same for some of the pieces."""
        return Spread(self.chemical[places], self.lb_ft2[places], self.own_water_in[places])


def spread_of(rows: pd.DataFrame, melters: Mapping[str, Melter], liquids: frozenset[str]) -> Spread:
    """What each row of the plan puts down.

    Parameters
    ----------
    rows : material, target_rate_lb_per_lane_mile, lane_width_ft; shape (n,).
    liquids : materials that are liquids; what in them is no chemical is water.
    """
    of = [melters.get(str(one), Melter("", np.nan)) for one in rows["material"]]
    purity = np.array([one.purity for one in of], dtype=float)
    wet = rows["material"].isin(liquids).to_numpy()
    rate = rows["target_rate_lb_per_lane_mile"].to_numpy(dtype=float)
    width = rows["lane_width_ft"].to_numpy(dtype=float)
    own = depth_of_water_in(chemical_lb_ft2(rate, width, np.where(wet, 1.0 - purity, 0.0)))
    return Spread(
        np.array([one.chemical for one in of], dtype=object),
        chemical_lb_ft2(rate, width, purity),
        np.where(np.isnan(own), 0.0, own),
    )


def next_treated_min(treated_min: Floats) -> Floats:
    """When the same part is treated next, shape (rounds, parts) as given; NaN for never."""
    later = np.full(treated_min.shape, np.nan)
    for place in range(len(treated_min) - 2, -1, -1):
        later[place] = np.fmin(treated_min[place + 1], later[place + 1])
    return later


def holding(
    rows: pd.DataFrame,
    treated_min: Floats,
    applications: Sequence[Application],
    forecast: pd.DataFrame,
    minutes: Callable[[Moment], float],
    melters: Mapping[str, Melter],
    liquids: frozenset[str],
) -> pd.DataFrame:
    """Until when each treatment holds, against when the part is treated next.

    Parameters
    ----------
    rows : in order of application, each with all parts in one order: zone, material, lane_width_ft,
        target_rate_lb_per_lane_mile, plow (True, False or None). Shape (n,).
    treated_min : when each was treated, minutes of the clock, shape (n,); NaN for never.
    forecast : as `labelled_forecast` returns it, with pavement_temp_u_f of every row.
    minutes : a moment in minutes of the clock.
    liquids : materials that are liquids.

    Returns
    -------
    DataFrame on the index of ``rows``: holds ("holds", "gives out", "unknown", "abrasive", or ""
    where nothing is treated), holds_min (until when; where it does not give out as far as is known,
    until when that is known; NaN where nothing is), colder_min and warmer_min (the same with the
    pavement by its standard uncertainty colder or warmer) and needed_min (the next treatment, else
    the end of the zone's forecast), and comes_back (whether it is treated again).
    """
    found: dict[str, Any] = {name: np.full(len(rows), np.nan) for name in TIMES}
    found["comes_back"] = np.zeros(len(rows), dtype=bool)
    found["holds"] = np.full(len(rows), "", dtype=object)
    if len(rows):
        labels = [one.label for one in applications]
        places = np.arange(len(rows)).reshape(len(labels), -1)
        spread = spread_of(rows, melters, liquids)
        zones = rows["zone"].to_numpy(dtype=object)[places[0]]
        plow = rows["plow"].to_numpy(dtype=object)
        for zone in pd.unique(zones):
            mine = places[:, zones == zone]
            sky = sky_of(forecast, str(zone), labels, minutes)
            # one zone has one forecast, and with it one word on plowing, in each round
            plowed = [one is True for one in plow[mine[:, 0]]]
            _follow(found, mine, sky, plowed, spread, treated_min)
    return pd.DataFrame(found, index=rows.index)


def _follow(
    found: dict[str, Any],
    places: NDArray[np.int64],
    sky: Sky,
    plowed: Sequence[bool],
    spread: Spread,
    treated_min: Floats,
) -> None:
    """Fill in what is found for the parts of one zone, round by round; places (rounds, parts)."""
    treated = treated_min[places]
    needed = next_treated_min(treated)
    found["comes_back"][places] = ~np.isnan(needed)
    needed[np.isnan(needed)] = sky.edges_min[-1]
    parts = places.shape[1]
    lies = Lies(np.full(parts, -np.inf), np.zeros(parts), np.zeros(parts))
    before: Objects = np.full(parts, "", dtype=object)
    for turn, at in enumerate(places):
        now = ~np.isnan(treated[turn])
        put = spread.at(at)
        lies = _after(lies, treated[turn], sky, plowed[turn], put, put.chemical == before)
        before = np.where(now, put.chemical, before)
        found["holds"][at[now & (put.chemical == "none")]] = "abrasive"
        found["holds"][at[now & (put.chemical == "")]] = "unknown"
        for name in set(put.chemical[now]) - set(NOT_JUDGED):
            mine = now & (put.chemical == name)
            some = Lies(lies.since_min[mine], lies.chemical_lb_ft2[mine], lies.water_in[mine])
            _judge(found, at[mine], some, sky, str(name), plowed[turn], needed[turn][mine])


def _after(
    lies: Lies, treated_min: Floats, sky: Sky, plowed: bool, put: Spread, same: NDArray[np.bool_]
) -> Lies:
    """What lies on the parts of a zone after a round; a part that is not treated stays as it is.

    same : where the chemical is the one of before; another one counts alone.
    """
    now = ~np.isnan(treated_min)
    until = np.where(now, treated_min, lies.since_min)
    if plowed:
        left, water = np.zeros(now.shape), np.zeros(now.shape)
    else:
        left = np.where(same, lies.chemical_lb_ft2, 0.0)
        water = lies.water_in + sky.fallen_in(lies.since_min, until)
    return Lies(
        until,
        np.where(now, left + put.lb_ft2, lies.chemical_lb_ft2),
        np.where(now, water + put.own_water_in, lies.water_in),
    )


def _judge(
    found: dict[str, Any],
    at: NDArray[np.int64],
    lies: Lies,
    sky: Sky,
    chemical: str,
    plowed: bool,
    needed_min: Floats,
) -> None:
    """Fill in until when the treatment of these rows holds, and what that is worth."""
    for name, sign in (("holds_min", 0.0), ("colder_min", -1.0), ("warmer_min", 1.0)):
        out, known = gives_out_min(lies, sky, chemical, plowed, sign * sky.u_f)
        until = np.minimum(out, known)
        found[name][at] = np.where(
            until > lies.since_min, until, np.where(np.isfinite(out), out, np.nan)
        )
        if name == "holds_min":
            unknown = np.isinf(out) & ~((known >= needed_min) & (known > lies.since_min))
            verdict = np.where(out < needed_min, "gives out", "holds").astype(object)
            found["holds"][at] = np.where(
                unknown | np.isnan(lies.chemical_lb_ft2), "unknown", verdict
            )
    found["needed_min"][at] = needed_min


def holding_check(rows: pd.DataFrame, melters: Mapping[str, Melter]) -> pd.DataFrame:
    """Whether each material can be expected to work in each zone and application.

    Parameters
    ----------
    rows : planned parts: application, zone, material, lane_miles, target_rate_lb_per_lane_mile,
        pavement_temp_f, precipitation_in, water_held_in, treated_at, holds, holds_until,
        holds_until_colder, holds_until_warmer, needed_until, comes_back. Rows without a rate or a
        forecast are left out.

    Returns
    -------
    The table ``plan_melting``: one row for each application, zone and material. Times are those of
    the part that is worst off; gives_out_lane_miles says how much of the zone gives out before the
    truck is back. verdict: "holds", "gives out", "too cold", "will not melt", "abrasive" or
    "unknown".
    """
    used = rows[(rows["target_rate_lb_per_lane_mile"] > 0) & rows["pavement_temp_f"].notna()]
    used = used[used["material"] != ""]
    by = ["application", "zone", "material"]
    worst_of = {
        (one.application, one.zone, one.material): one
        for one in lines(worst_off(used, by).reset_index())
    }
    checked = []
    for (application, zone, material), group in groups(used, by):
        miles = group["lane_miles"].to_numpy()
        melter = melters.get(str(material), Melter("", np.nan))
        worst = worst_of[application, zone, material]
        temp_f = float(group["pavement_temp_f"].iloc[0])
        verdict, advice = _verdict(melter, temp_f, worst)
        checked.append(
            {
                "application": application,
                "zone": zone,
                "material": material,
                "chemical": melter.chemical,
                "pavement_temp_f": temp_f,
                "precipitation_in": float(group["precipitation_in"].iloc[0]),
                "rate_lb_per_lane_mile": float(
                    np.average(group["target_rate_lb_per_lane_mile"], weights=miles)
                ),
                "water_held_in": float(np.average(group["water_held_in"], weights=miles)),
                **{name: getattr(worst, name) for name in ("treated_at", *UNTIL)},
                "gives_out_lane_miles": float(miles[(group["holds"] == "gives out")].sum()),
                "verdict": verdict,
                "advice": advice,
            }
        )
    return pd.DataFrame(checked, columns=RESULTS["plan_melting"].names)


def worst_off(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """The part of each group that is worst off, indexed by the columns ``by``.

    One that gives out comes first, then one that is not known, then the one with the least time to
    spare.

    Parameters
    ----------
    rows : parts of the plan with ``by``, treated_at, holds and the columns of `UNTIL`.
    """
    rank = rows["holds"].map({name: place for place, name in enumerate(WORST_FIRST)})
    spare = (rows["holds_until"] - rows["needed_until"]).dt.total_seconds().fillna(np.inf)
    ordered = rows.assign(rank=rank, spare=spare).sort_values(["rank", "spare"], kind="stable")
    return pd.DataFrame(ordered.drop_duplicates(by)).set_index(by)


def _verdict(melter: Melter, temp_f: float, worst: Any) -> tuple[str, Remark]:
    """Verdict and advice for one zone, application and material."""
    if melter.chemical == "none":
        return "abrasive", remark("grip_only")
    if melter.chemical == "":
        return "unknown", remark("state_the_chemical")
    limit = eutectic_f(melter.chemical)
    if temp_f < limit:
        return "will not melt", remark("below_eutectic", chemical=melter.chemical, limit_f=limit)
    if melter.chemical == "NaCl" and temp_f < NACL_PRACTICAL_LIMIT_F:
        return "too cold", remark("too_cold_for_salt", limit_f=NACL_PRACTICAL_LIMIT_F)
    if np.isnan(melter.purity):
        return "unknown", remark("no_chloride_content")
    if worst.holds == "" or pd.isna(worst.treated_at):
        return "unknown", remark("no_time_of_treatment")
    if worst.holds == "unknown":
        if np.isnan(worst.precipitation_in):
            return "unknown", remark("no_water_forecast")
        return "unknown", remark("forecast_ends_first")
    until, needed = worst.holds_until, worst.needed_until
    doubt = remark(
        "until_by_temperature",
        colder=worst.holds_until_colder,
        warmer=worst.holds_until_warmer,
    )
    then = remark("truck_is_back") if worst.comes_back else remark("forecast_ends")
    if worst.holds == "holds":
        return "holds", remark("holds_until", until=until, then=then, needed=needed, doubt=doubt)
    if until <= worst.treated_at:
        return "gives out", remark("too_little_from_the_start")
    short_min = (needed - until).total_seconds() / 60.0
    return "gives out", remark(
        "gives_out_before", until=until, then=then, needed=needed, short_min=short_min, doubt=doubt
    )
