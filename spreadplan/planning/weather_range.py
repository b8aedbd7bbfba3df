"""What a plan takes if the pavement turns out colder or warmer than forecast.

The forecast temperature of each row is taken as the middle of a normal distribution; its event and
trend are taken as stated. In a scenario every row of the storm gets a temperature at once: one
error that all rows and zones have in common, and a part of each row's own. Rates are then chosen
as for the plan itself (`rows.rates_of`), and times lane-miles they are mass. A range is that of
whole-storm scenarios: neither rows added as if they were independent nor their extremes added up.
Settings and clock are not planned again. Masses in lb, temperatures in °F.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.planning.applications import (
    Application,
    Condition,
    conditions_of,
    labelled_forecast,
)
from spreadplan.planning.forecast_doubt import COMMON_SHARE, Doubt, doubt_of, middles_of
from spreadplan.planning.frames import first_alike, places
from spreadplan.planning.rates import policy_row_of
from spreadplan.planning.rows import RateInputs, rates_of
from spreadplan.remarks import Finding, remark
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WEATHER_RANGE: Final = 0.90
"""Probability that a range by weather holds the mass."""

SCENARIOS: Final = 2000
"""Scenarios of a storm: the 100 beyond each end of a range hold it still. Our choice."""

LEAST_CHANCE: Final = 0.05
"""A policy without a row is worth a caution from this probability on. Our choice."""

DECIDES_CHANCE: Final = 0.10
"""Both sides of a border must be at least so probable for it to decide a storm. Our choice."""

DECIDES_SHARE: Final = 0.33
"""A border decides a storm where it moves so large a part of the range by weather. Our choice."""

DECIDES_MASS: Final = 0.03
"""... and so large a part of the storm's mass. Our choice."""

LEAST_SHOWN: Final = 0.0005
"""What is less probable is left out of the table. Our choice."""

#: groups whose scenarios are held in memory at one time
_AT_ONCE: Final = 512


@dataclass(frozen=True, eq=False)
class WeatherRange:
    """What the doubt of the forecast does to a plan.

    Attributes
    ----------
    table : the table ``plan_weather``.
    runs : index run; weather_lo_lb, weather_hi_lb: NaN where no rate of the run is the policy's;
        mass_lb, what was planned of it.
    yards : the same, index yard_id and material; materials : index material.
    findings : what decides the storm, and where the policy has no row.
    """

    table: pd.DataFrame
    runs: pd.DataFrame
    yards: pd.DataFrame
    materials: pd.DataFrame
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class _Row:
    """One row of the forecast and what each temperature would make of the pieces that it covers.

    at : places of its pieces, shape (p,). inner : borders between states, °F, ascending, shape
    (s - 1,). rates : lb per lane-mile, shape (p, s); NaN where the policy has no row. sources :
    numbers of the policy's rows of each state. chance : probability of each state, shape (s,).
    more_lb : mass more than planned, shape (p, s). now : the state that was forecast.
    """

    application: str
    condition: Condition
    doubt: Doubt
    at: Ints
    inner: Floats
    rates: Floats
    sources: tuple[tuple[str, ...], ...]
    chance: Floats
    more_lb: Floats
    now: int


def weather_range(
    rows: gpd.GeoDataFrame, applications: Sequence[Application], storm: RateInputs
) -> WeatherRange:
    """The range of mass by weather of a plan.

    Parameters
    ----------
    rows : the plan's rows with mass_lb, see `rows.target_rows`; shape (n,).
    applications : the storm's rounds.
    storm : what the rates were chosen from.

    Returns
    -------
    WeatherRange: `WEATHER_RANGE` ranges from `SCENARIOS` scenarios, the same each time. Where the
    policy has no row for a temperature, mass is that of the nearest row that it has, and a finding
    says how probable that is. Where nothing was forecast, or the planner gives the rate, the mass
    stays as it is.
    """
    pieces = _pieces(rows)
    found = list(_forecast_rows(pieces, rows, applications, storm))
    states = _scenarios(found, storm.policy)
    wet, all_found = _with_liquids(pieces, found)
    at_yards = (wet["yard_id"] != "").to_numpy() & wet["mass_lb"].notna().to_numpy()
    known = (wet["material"] != "").to_numpy()
    everywhere = np.ones(len(pieces), dtype=bool)
    whole = _ranges(pieces, found, states, [], everywhere)
    return WeatherRange(
        table=_table(found, pieces),
        runs=_ranges(pieces, found, states, ["run"], everywhere),
        yards=_ranges(wet, all_found, states, ["yard_id", "material"], at_yards),
        materials=_ranges(wet, all_found, states, ["material"], known),
        findings=(*_decides(found, pieces, whole), *_without_row(found, pieces)),
    )


def _pieces(rows: gpd.GeoDataFrame) -> pd.DataFrame:
    """Rows that any weather treats alike as one, with the sums of lane_miles and mass_lb."""
    kept = pd.DataFrame(rows.drop(columns="geometry"))
    sources = (getattr(source, "code", "") for source in kept["rate_source"])
    kept["own"] = np.array([code == "rate_of_planner" for code in sources], dtype=bool)
    alike = ["run", "zone", "service_class", "material", "lane_width_ft", "area_id", "own"]
    first, number = first_alike([kept[name].to_numpy() for name in alike], len(kept))
    sums = kept[["lane_miles", "mass_lb"]].groupby(number).sum(min_count=1)
    pieces = kept.iloc[first].reset_index(drop=True)
    return pieces.assign(
        lane_miles=sums["lane_miles"].to_numpy(), mass_lb=sums["mass_lb"].to_numpy()
    )


def _with_liquids(pieces: pd.DataFrame, found: list[_Row]) -> tuple[pd.DataFrame, list[_Row]]:
    """Pieces, and behind them the named prewetting liquid of each as a piece of its own."""
    share = pieces["liquid_lb_per_lb"].to_numpy(dtype=float)
    wet = np.flatnonzero((pieces["prewet_material"] != "").to_numpy() & (share > 0.0))
    if not len(wet):
        return pieces, found
    liquid = pieces.iloc[wet].assign(
        material=pieces["prewet_material"].to_numpy()[wet],
        mass_lb=pieces["mass_lb"].to_numpy()[wet] * share[wet],
    )
    place = np.full(len(pieces), -1)
    place[wet] = len(pieces) + np.arange(len(wet))
    both = []
    for one in found:
        has = place[one.at] >= 0
        more = one.more_lb[has] * share[one.at[has]][:, None]
        at = np.concatenate([one.at, place[one.at[has]]])
        both.append(replace(one, at=at, more_lb=np.concatenate([one.more_lb, more])))
    return pd.concat([pieces, liquid], ignore_index=True), both


# --- what each temperature would make of a row of the forecast ----------------------------------


def _forecast_rows(
    pieces: pd.DataFrame,
    rows: gpd.GeoDataFrame,
    applications: Sequence[Application],
    storm: RateInputs,
) -> Iterator[_Row]:
    """The rows of the forecast that the policy's rates hang on, application by application."""
    zones = [str(zone) for zone in pieces["zone"].drop_duplicates()]
    conditions, _ = conditions_of(labelled_forecast(storm.forecast), zones, applications)
    limits = storm.policy.rates[["pavement_temp_min_f", "pavement_temp_max_f"]]
    ends = limits.to_numpy(dtype=float)
    inner = np.unique(ends[np.isfinite(ends)])
    middles = middles_of(rows)
    asking = places(pieces[~pieces["own"]], ["application", "zone"])
    number = np.flatnonzero(~pieces["own"])
    for application in applications:
        mine = {
            zone: number[asking[application.label, zone]]
            for zone in zones
            if (application.label, zone) in asking
            and not math.isnan(_temperature(conditions.get((zone, application.label))))
        }
        if not mine:
            continue
        rates, sources = _at_each(pieces, mine, application, conditions, inner, storm)
        by_row: dict[str, list[str]] = {}
        for zone in mine:
            by_row.setdefault(conditions[zone, application.label].zone, []).append(zone)
        for some in by_row.values():
            condition = conditions[some[0], application.label]
            lon, lat = np.mean([middles[zone] for zone in some], axis=0)
            yield _row(
                pieces,
                np.concatenate([mine[zone] for zone in some]),
                application,
                condition,
                doubt_of(condition, float(lat), float(lon), storm.policy),
                inner,
                np.concatenate([rates[zone] for zone in some]),
                np.concatenate([sources[zone] for zone in some]),
            )


def _temperature(condition: Condition | None) -> float:
    return math.nan if condition is None else condition.pavement_temp_f


def _at_each(
    pieces: pd.DataFrame,
    mine: Mapping[str, Ints],
    application: Application,
    conditions: Mapping[tuple[str, str], Condition],
    inner: Floats,
    storm: RateInputs,
) -> tuple[dict[str, Floats], dict[str, NDArray[np.object_]]]:
    """Rate and source of each zone's pieces at a temperature of each state, shape (p, s)."""
    # a temperature within each state; on a border nothing is decided
    edges = np.concatenate([inner[:1] - 2.0, inner, inner[-1:] + 2.0]) if len(inner) else [0.0, 0.0]
    temperatures = (np.asarray(edges)[:-1] + np.asarray(edges)[1:]) / 2.0
    states = len(temperatures)
    frames, weather = [], {}
    for zone, at in mine.items():
        names = [f"{zone}\n{state}" for state in range(states)]
        for name, temperature in zip(names, temperatures.tolist(), strict=True):
            weather[name, application.label] = replace(
                conditions[zone, application.label], pavement_temp_f=temperature
            )
        again = pieces.iloc[np.repeat(at, states)]
        frames.append(again.assign(zone=np.array(names * len(at), dtype=object)))
    asked = pd.concat(frames, ignore_index=True)
    rate, source = rates_of(asked, application, weather, storm)
    ends = np.cumsum([len(at) * states for at in mine.values()])[:-1]
    shapes = zip(mine, np.split(rate, ends), np.split(source, ends), strict=True)
    cut = {zone: (a.reshape(-1, states), b.reshape(-1, states)) for zone, a, b in shapes}
    return {zone: a for zone, (a, _) in cut.items()}, {zone: b for zone, (_, b) in cut.items()}


def _row(
    pieces: pd.DataFrame,
    at: Ints,
    application: Application,
    condition: Condition,
    doubt: Doubt,
    inner: Floats,
    rates: Floats,
    sources: NDArray[np.object_],
) -> _Row:
    """A row with neighboring states joined that give every piece the same."""
    known = np.nan_to_num(rates, nan=-1.0)
    numbers = [[policy_row_of(one) for one in sources[:, s]] for s in range(rates.shape[1])]
    new = [
        bool((known[:, s] != known[:, s - 1]).any()) or numbers[s] != numbers[s - 1]
        for s in range(1, rates.shape[1])
    ]
    kept = np.flatnonzero([True, *new])
    inner, rates = inner[np.array(new, dtype=bool)], rates[:, kept]
    temp_f = condition.pavement_temp_f
    now = int(np.searchsorted(inner, temp_f, side="left"))  # on a border the colder row holds
    more = _carried(rates, now)
    more = (more - more[:, [now]]) * pieces["lane_miles"].to_numpy()[at][:, None]
    return _Row(
        application=application.label,
        condition=condition,
        doubt=doubt,
        at=at,
        inner=inner,
        rates=rates,
        sources=tuple(tuple(dict.fromkeys(filter(None, numbers[s]))) for s in kept),
        chance=np.diff([0.0, *chance_below(inner, temp_f, doubt.u_f), 1.0]),
        more_lb=np.nan_to_num(more, nan=0.0),
        now=now,
    )


def chance_below(borders_f: Floats, temp_f: float, u_f: float) -> Floats:
    """Probability that the pavement is no warmer than each border.

    Parameters
    ----------
    borders_f : °F, shape (n,).
    temp_f, u_f : the forecast and its standard uncertainty, °F; with 0 it is as forecast.

    Returns
    -------
    Probabilities of a normal distribution, shape (n,).

    Source: JCGM 101:2008, 6.4.7.

    >>> chance_below(np.array([20.0, 24.0]), 20.0, 4.0).round(4).tolist()
    [0.5, 0.8413]
    """
    if u_f == 0.0:
        return np.where(borders_f >= temp_f, 1.0, 0.0)
    return np.array([0.5 * math.erfc((temp_f - b) / (u_f * math.sqrt(2.0))) for b in borders_f])


def _carried(rates: Floats, now: int) -> Floats:
    """Rates with those of the nearest state, on the way from the forecast, where none is given."""
    full = rates.copy()
    for step in (-1, 1):
        for state in range(now + step, rates.shape[1] if step > 0 else -1, step):
            gaps = np.isnan(full[:, state])
            full[gaps, state] = full[gaps, state - step]
    return full


# --- scenarios ---------------------------------------------------------------------------------


def _scenarios(found: Sequence[_Row], policy: Policy) -> list[Ints]:
    """The state of each row of the forecast in every scenario, each of shape (`SCENARIOS`,).

    The error in common takes the middles of as many equally probable strata, and so does each
    row's own part, in an order of its own that is the same each time.
    """
    from scipy.special import ndtri  # late: a plan without a forecast has no need of it

    share = COMMON_SHARE if math.isnan(policy.common_share) else policy.common_share
    levels = ndtri((np.arange(SCENARIOS) + 0.5) / SCENARIOS)
    order = np.random.default_rng(20040324)  # any number does; the same each time
    states = []
    for one in found:
        own = levels[order.permutation(SCENARIOS)]
        error = math.sqrt(share) * levels + math.sqrt(1.0 - share) * own
        temperatures = one.condition.pavement_temp_f + one.doubt.u_f * error
        states.append(np.searchsorted(one.inner, temperatures, side="left"))
    return states


def _ranges(
    pieces: pd.DataFrame,
    found: Sequence[_Row],
    states: Sequence[Ints],
    by: list[str],
    where: NDArray[np.bool_],
) -> pd.DataFrame:
    """Ends of the range of the mass of each group, index ``by``: weather_lo_lb, weather_hi_lb; and
    mass_lb.

    ``where`` : pieces that count. A group of which no rate is the policy's has no range.
    """
    moved = np.zeros(len(pieces), dtype=bool)
    for one in found:
        moved[one.at] = True
    moved &= pieces["mass_lb"].notna().to_numpy()
    kept = pieces[where].assign(moved=moved[where])
    keys = kept[by] if by else pd.DataFrame({"all": "all"}, index=kept.index)
    group = keys.groupby(list(keys), sort=True)
    of_piece = np.full(len(pieces), -1)
    of_piece[where] = group.ngroup().to_numpy()
    base = kept["mass_lb"].groupby([keys[name] for name in keys], sort=True).sum().to_numpy()
    ends = np.full((len(base), 2), np.nan)
    tail = (1.0 - WEATHER_RANGE) / 2.0
    for start in range(0, len(base), _AT_ONCE):
        total = np.zeros((min(_AT_ONCE, len(base) - start), SCENARIOS))
        for one, state in zip(found, states, strict=True):
            place = of_piece[one.at] - start
            inside = (place >= 0) & (place < len(total))
            here, place_in = np.unique(place[inside], return_inverse=True)
            more = np.zeros((len(here), len(one.chance)))
            np.add.at(more, place_in, one.more_lb[inside])
            total[here] += more[:, state]
        total += base[start : start + len(total), None]
        found_ends = np.quantile(total, [tail, 1.0 - tail], axis=1, method="inverted_cdf")
        ends[start : start + len(total)] = np.maximum(found_ends.T, 0.0)
    ends[~kept["moved"].groupby([keys[name] for name in keys], sort=True).any().to_numpy()] = np.nan
    index = group.size().index
    found_ranges = pd.DataFrame(ends, index=index, columns=["weather_lo_lb", "weather_hi_lb"])
    return found_ranges.assign(mass_lb=base)


# --- what is told of it --------------------------------------------------------------------------


def _table(found: Sequence[_Row], pieces: pd.DataFrame) -> pd.DataFrame:
    """The table ``plan_weather``; states that hardly ever hold are left out."""
    mass, miles = pieces["mass_lb"].to_numpy(), pieces["lane_miles"].to_numpy()
    told: list[dict[str, Any]] = []
    for one in found:
        edges = [np.nan, *one.inner, np.nan]
        for state, chance in enumerate(one.chance):
            if chance < LEAST_SHOWN and state != one.now:
                continue
            rates, none = one.rates[:, state], np.isnan(one.rates[:, state])
            given = rates[~none]
            planned = np.nansum(mass[one.at]) + one.more_lb[:, state].sum()
            told.append(
                {
                    "application": one.application,
                    "zone": one.condition.zone,
                    "start": one.condition.start,
                    "end": one.condition.end,
                    "event": one.condition.event,
                    "pavement_temp_f": one.condition.pavement_temp_f,
                    "pavement_temp_u_f": one.doubt.u_f,
                    "u_origin": one.doubt.origin,
                    "from_f": edges[state],
                    "to_f": edges[state + 1],
                    "p_pavement": float(chance),
                    "as_forecast": state == one.now,
                    "policy_rows": "; ".join(one.sources[state]),
                    "rate_lo_lb_per_lane_mile": given.min() if len(given) else np.nan,
                    "rate_hi_lb_per_lane_mile": given.max() if len(given) else np.nan,
                    "lane_miles": float(miles[one.at].sum()),
                    "no_rate_lane_miles": float(miles[one.at][none].sum()),
                    "mass_lb": float(planned) if len(given) else np.nan,
                }
            )
    return pd.DataFrame(told, columns=RESULTS["plan_weather"].names)


def _decides(found: Sequence[_Row], pieces: pd.DataFrame, whole: pd.DataFrame) -> Iterator[Finding]:
    """The border of the policy that decides the storm, if one does."""
    if whole.empty or whole.isna().to_numpy().any():
        return
    low, high = whole[["weather_lo_lb", "weather_hi_lb"]].to_numpy()[0]
    moves: dict[tuple[str, float], list[tuple[float, float, _Row]]] = {}
    for one in found:
        below = np.cumsum(one.chance)
        for state, border in enumerate(one.inner.tolist()):
            step = float(one.more_lb[:, state].sum() - one.more_lb[:, state + 1].sum())
            if DECIDES_CHANCE <= below[state] <= 1.0 - DECIDES_CHANCE and step != 0.0:
                move = (step, float(below[state]), one)
                moves.setdefault((one.application, border), []).append(move)
    if not moves:
        return
    (label, border), most = max(moves.items(), key=lambda one: abs(sum(m[0] for m in one[1])))
    step = sum(move[0] for move in most)
    mass = float(pieces["mass_lb"].sum())
    if abs(step) < max(DECIDES_SHARE * (high - low), DECIDES_MASS * mass):
        return
    chance = sum(abs(move[0]) * move[1] for move in most) / sum(abs(move[0]) for move in most)
    what = remark(
        "weather_decides",
        border_f=border,
        start=min(move[2].condition.start for move in most),
        end=max(move[2].condition.end for move in most),
        mass_lb=abs(step),
        more=remark("more_if_colder") if step > 0.0 else remark("less_if_colder"),
        chance=chance,
    )
    about = remark("of_forecast", application=label)
    yield Finding("note", about, what, (remark("measure_and_plan_again"),))


def _without_row(found: Sequence[_Row], pieces: pd.DataFrame) -> Iterator[Finding]:
    """Temperatures that are probable enough and for which the policy has no row."""
    miles = pieces["lane_miles"].to_numpy()
    for colder in (True, False):
        lacking: dict[tuple[str, float], list[tuple[float, float]]] = {}
        for one in found:
            beside = range(one.now) if colder else range(one.now + 1, len(one.chance))
            none = np.isnan(one.rates) & ~np.isnan(one.rates[:, [one.now]])
            gaps = [state for state in beside if none[:, state].any()]
            if not gaps:
                continue
            border = one.inner[gaps[-1]] if colder else one.inner[gaps[0] - 1]
            chance = float(one.chance[gaps].sum())
            left = float(miles[one.at][none[:, gaps].any(axis=1)].sum())
            lacking.setdefault((one.application, float(border)), []).append((chance, left))
        for (label, border), some in lacking.items():
            chance = max(one[0] for one in some)
            if chance < LEAST_CHANCE:
                continue
            left = sum(one[1] for one in some)
            what = (
                remark("weather_without_row_below", border_f=border, lane_miles=left, chance=chance)
                if colder
                else remark(
                    "weather_without_row_above", border_f=border, lane_miles=left, chance=chance
                )
            )
            about = remark("of_forecast", application=label)
            yield Finding(
                "caution" if colder else "note", about, what, (remark("have_a_rate_ready"),)
            )
