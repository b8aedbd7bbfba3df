"""From reported to true mass: each truck's ratio, what it means, and what to do about it.

Masses in lb; a ratio is true mass over reported mass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from spreadplan.frames import lines
from spreadplan.metrology import TAIL, Z95
from spreadplan.reconcile.exchanged import exchanged
from spreadplan.reconcile.periods import TREND_SIGNIFICANCE, with_curve, with_trend
from spreadplan.reconcile.ratio_model import (
    LOG_RATIO,
    MEASURING_FLEET,
    SET_RATE_FLEET,
    Floats,
    fit_ratios,
    quantiles,
)
from spreadplan.reconcile.this_storm import in_this_storm
from spreadplan.reconcile.tickets import LEAST_KNOWN, storm_tickets
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS

_OF_TRUCK: Final = RESULTS["use_trucks"].names
RATIOS: Final = _OF_TRUCK[: _OF_TRUCK.index("tests")]
"""The columns of ``use_trucks`` before those of the truck's own tests."""

CONTESTED: Final = "tickets and reports disagree"
"""Of a truck whose tickets cannot belong to what it reported: nothing is judged by them."""

INCOMPLETE: Final = "records incomplete"
"""Of a truck whose records do not tell all that it put down: its tickets say nothing against it."""

MISSING: Final = "tickets missing"
NO_TICKETS: Final = "no tickets"

NOT_SHOWN: Final = "not shown"
"""Of a truck whose tickets show neither an error nor that there is none beyond the tolerance."""

POWER: Final = 0.8
"""The error that evidence would have found is one that it shows in so many cases. Common practice,
no source."""

VERDICTS: Final = (
    "agrees",
    NOT_SHOWN,
    "reports too little",
    "reports too much",
    MISSING,
    NO_TICKETS,
    CONTESTED,
    INCOMPLETE,
)

LIKELY_MISSING: Final = 0.5
"""Load tickets are said to be missing where that is more likely than not."""


@dataclass(frozen=True)
class _Ends:
    """Estimate and 95 % interval of ln ratio, shape (trucks,) each, and standard uncertainty."""

    middle: Floats
    low: Floats
    high: Floats
    u: Floats


def mass_ratios(
    reported: pd.DataFrame,
    loads: pd.DataFrame,
    returns: pd.DataFrame,
    storm: str,
    calibration_pct: float,
    starts: Mapping[str, pd.Timestamp] | None = None,
) -> pd.DataFrame:
    """Ratio of true to reported mass of every truck and material of a storm.

    All storms of the season are used: a truck's ratio is taken to be the same in all of them but
    for run-to-run scatter, and drawn towards its fleet (the trucks with this material) as far as
    its own tickets are few.

    Parameters
    ----------
    reported : storm, truck_id, material, reported_lb (sum over the storm), all storms; known_share
        as in `tickets.storm_tickets`.
    loads, returns : tickets of all storms, see `tickets.storm_tickets`.
    storm : the storm asked for.
    calibration_pct : an error below this needs no new test, percent.
    starts : start of each storm; with it a truck's drift over the season is looked for.

    Returns
    -------
    `RATIOS`, in order of truck and material. The ratio is that of this
    storm (see `this_storm`), set_rate whether it is over what was set and not over what was
    measured, season_ratio with its ends that of the truck, by which it is judged.
    ratio_u is the relative standard uncertainty of the ratio, ratio_fleet_u the part of it that all
    trucks of a material have in common and ratio_storm_u the part that is of this storm alone;
    fleet_ratio is the ratio of the fleet, fleet_share how much of the estimate rests on it (1:
    all); storm_ratio what this storm's tickets alone say (NaN without); storms how many storms had
    tickets to go by; p_missing the probability that load tickets of this storm are missing;
    without_ticket_lb the true mass of this storm that no ticket accounts for although it must have
    been loaded, and missing_loads how many of the truck's usual loads that is (both 0 where the
    tickets are there); known_share the share of its time with the spreader on in which
    the truck's records tell how much was released (NaN: there are none).
    """
    tickets = _told_alike(storm_tickets(reported, loads, returns), storm)
    fleets = [
        _fleet(fleet.reset_index(drop=True), storm)
        for _, fleet in tickets.groupby(["material", "set_rate"], sort=True)
        if (fleet["storm"] == storm).any()
    ]
    if not fleets:
        return pd.DataFrame(columns=RATIOS)
    table = pd.concat(fleets, ignore_index=True)
    table = table.sort_values(["truck_id", "material"], kind="stable", ignore_index=True)
    if starts is None:
        table = table.assign(trend_pct_per_month=np.nan, trend_p=np.nan)
    else:
        table = with_trend(table, tickets, starts, storm)
    table = with_curve(table, tickets, storm)
    here = tickets[tickets["storm"] == storm]
    table["exchanged"] = exchanged(table, here, loads[loads["storm"] == storm])
    table = table.join(_evidence(table, calibration_pct))
    table["verdict"] = _verdicts(table, calibration_pct)
    off = (np.abs(table["ratio"] - 1.0) > calibration_pct / 100.0) | (table["reported_lb"] <= 0.0)
    table["test_again"] = off & table["verdict"].str.startswith("reports")
    table = in_this_storm(table, here)
    table = table.join(_presumed(table))
    advice = [_with_findings(row, _advice(row, calibration_pct)) for row in lines(table)]
    table["advice"] = pd.Series(advice, table.index, dtype=object)
    return table[RATIOS]


def _told_alike(tickets: pd.DataFrame, storm: str) -> pd.DataFrame:
    """Without storms in which a truck told by other means than in this one what it released.

    What a set rate says of a truck is another thing than what its sensor says.
    """
    here = tickets[tickets["storm"] == storm].set_index(["truck_id", "material"])["set_rate"]
    keys = pd.MultiIndex.from_frame(tickets[["truck_id", "material"]])
    now = here.reindex(keys).to_numpy(dtype=object)
    alike = pd.isna(now) | (now == tickets["set_rate"].to_numpy(dtype=object))
    return pd.DataFrame(tickets[alike].reset_index(drop=True))


def _fleet(tickets: pd.DataFrame, storm: str) -> pd.DataFrame:
    """Rows of one fleet, the trucks with a material that measure, or that tell what was set."""
    numbers, trucks = pd.factorize(tickets["truck_id"])
    now = np.flatnonzero((tickets["storm"] == storm).to_numpy())
    before = SET_RATE_FLEET if bool(tickets["set_rate"].iloc[0]) else MEASURING_FLEET
    found = fit_ratios(tickets, numbers, len(trucks), now, before)
    ends, fleet = _ends(found.density), _ends(found.fleet_density[None, :])
    truck = numbers[now]
    rows = tickets.iloc[now].drop(columns=["storm", "ticket_u_lb", "unreturned_lb"])
    net = rows["loaded_lb"] - rows["returned_lb"]
    says = (rows["loads"] > 0) & (rows["reported_lb"] > 0.0) & rows["comparable"]
    told = (tickets["loads"] > 0) & tickets["comparable"]
    storms = np.bincount(numbers, told.to_numpy(), len(trucks))
    return rows.assign(
        ratio=np.exp(ends.middle[truck]),
        ratio_lo=np.exp(ends.low[truck]),
        ratio_hi=np.exp(ends.high[truck]),
        ratio_u=ends.u[truck],
        ratio_fleet_u=np.minimum(found.fleet_u, ends.u)[truck],
        storm_ratio=(net / rows["reported_lb"].where(says)).where(net > 0.0),
        storms=storms[truck].astype(int),
        season_loads=np.bincount(numbers, tickets["loads"].where(told, 0), len(trucks))[truck],
        p_missing=found.p_missing,
        storm_sd=found.storm_sd[now],
        wrong_share=found.wrong_share,
        carried_lb=found.carried_lb,
        carried_u_lb=found.carried_u_lb,
        fleet_ratio=float(np.exp(fleet.middle[0])),
        # with normal errors the weight of a prior is the ratio of the variances after and before
        fleet_share=np.minimum((ends.u[truck] / fleet.u[0]) ** 2, 1.0),
    )


def _ends(density: Floats) -> _Ends:
    """Median, 95 % interval, and the standard uncertainty that its wider half stands for."""
    tail = TAIL
    low, middle, high = (quantiles(density, share) for share in (tail, 0.5, 1.0 - tail))
    factor = Z95
    return _Ends(middle, low, high, np.maximum(high - middle, middle - low) / factor)


def _evidence(table: pd.DataFrame, calibration_pct: float) -> pd.DataFrame:
    """How large an error the season's tickets would have found, and what it would take to do so.

    An error e of ln ratio is shown where the 95 % interval leaves 0 out; with a standard
    uncertainty u that happens in `POWER` of cases where e is u times the sum of both normal
    quantiles. More loads make u smaller as the root of their number, but for what a method has in
    common.

    Returns
    -------
    detectable_pct, and more_loads : further weighed loads by which an error of the tolerance would
    be found (0: enough; NaN: none are enough, or there are none yet to go by).

    Source: J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, ch. 1
    (power of a test; from memory).
    """
    factor = Z95 + float(special.ndtri(POWER))
    u, common_u = table["ratio_u"].to_numpy(float), table["method_u"].to_numpy(float)
    wanted = np.log1p(calibration_pct / 100.0) / factor
    loads = table["season_loads"].to_numpy(float)
    loads = np.where((loads > 0.0) & (common_u < wanted), loads, np.nan)
    alone = np.maximum(u**2 - common_u**2, 0.0) / np.maximum(wanted**2 - common_u**2, 1e-12)
    return pd.DataFrame(
        {
            "detectable_pct": 100.0 * np.expm1(factor * u),
            "more_loads": np.ceil(np.maximum(loads * (alone - 1.0), 0.0)),
        },
        index=table.index,
    )


def _verdicts(table: pd.DataFrame, calibration_pct: float) -> NDArray[np.object_]:
    tolerance = 1.0 + calibration_pct / 100.0
    net = table["loaded_lb"] - table["returned_lb"]
    silent = (table["reported_lb"] <= 0.0) & (net > 0.0)
    # no controller is so wrong: records or tickets are missing, or are another truck's
    ratio = net / table["reported_lb"].astype(float).where(table["reported_lb"] > 0.0)
    apart = (table["loads"] > 0) & (
        (ratio < np.exp(LOG_RATIO[0])) | (ratio > np.exp(LOG_RATIO[-1]))
    )
    incomplete = (table["loads"] > 0) & ~(
        (table["known_share"] >= LEAST_KNOWN) & (table["usable_share"] >= LEAST_KNOWN)
    )
    # one storm, and in it tickets that seem another truck's
    doubtful = (table["storms"] <= 1) & (table["exchanged"] != "")
    conditions = [
        incomplete,
        table["names_differ"],
        silent,
        table["storms"] == 0,
        table["p_missing"] > LIKELY_MISSING,
        apart,
        (table["ratio_lo"] >= 1.0 / tolerance) & (table["ratio_hi"] <= tolerance),
        doubtful,
        table["ratio_lo"] > 1.0,
        table["ratio_hi"] < 1.0,
    ]
    names = [
        INCOMPLETE,
        CONTESTED,
        "reports too little",
        NO_TICKETS,
        MISSING,
        CONTESTED,
        "agrees",
        NOT_SHOWN,
        "reports too little",
        "reports too much",
    ]
    found = np.select([one.to_numpy() for one in conditions], names, NOT_SHOWN)
    return found.astype(object)


def _presumed(table: pd.DataFrame) -> pd.DataFrame:
    """without_ticket_lb and missing_loads of each row."""
    lacking = table["verdict"].isin([MISSING, NO_TICKETS])
    accounted = table["loaded_lb"] - table["returned_lb"]
    mass = (table["ratio"] * table["reported_lb"] - accounted).clip(lower=0.0).where(lacking, 0.0)
    loads = (mass / table["typical_load_lb"].where(table["typical_load_lb"] > 0.0)).round()
    least = (table["verdict"] == MISSING).astype(float)
    return pd.DataFrame(
        {
            "without_ticket_lb": mass,
            "missing_loads": loads.fillna(0.0).clip(lower=least).astype(int),
        }
    )


def _advice(row: Any, calibration_pct: float) -> Remark:
    """What to do; ``row`` is a row of the table. A truck is judged by its season."""
    verdict = row.verdict
    ratio, low, high = (
        float(getattr(row, name)) for name in ("season_ratio", "season_lo", "season_hi")
    )
    truck, material = row.truck_id, row.material
    if verdict == INCOMPLETE:
        return _incomplete(row)
    if row.names_differ:
        return remark("materials_differ", truck=truck)
    if verdict == NO_TICKETS:
        return remark("weigh_its_loads", truck=truck, material=material, low=low, high=high)
    if row.reported_lb <= 0.0:
        return remark("reported_none", truck=truck, material=material)
    if verdict == MISSING:
        return remark("find_its_tickets", truck=truck, why=_shortfall(row))
    if verdict == CONTESTED:
        return remark(
            "find_out_first",
            truck=truck,
            reported_lb=float(row.reported_lb),
            accounted_lb=float(row.loaded_lb - row.returned_lb),
        )
    if verdict == "agrees":
        return remark("nothing_needed")
    if verdict == NOT_SHOWN:
        return remark(
            "no_error_proven", low=low, high=high, found_pct=row.detectable_pct, more=_more(row)
        )
    if not row.test_again:
        return remark("error_below_target", target_pct=calibration_pct)
    drifts = row.trend_p < TREND_SIGNIFICANCE
    drift = (remark("and_drifts", month_pct=float(row.trend_pct_per_month)),) if drifts else ()
    return remark(
        "test_again", truck=truck, material=material, ratio=ratio, low=low, high=high, drift=drift
    )


def _with_findings(row: Any, advice: Remark) -> Remark:
    """The advice, after what its tickets show beside the ratio."""
    if row.curve_p < TREND_SIGNIFICANCE:
        advice = remark(
            "follows_output",
            low_lb_per_min=float(row.output_low_lb_per_min),
            high_lb_per_min=float(row.output_high_lb_per_min),
            low=float(row.ratio_at_low),
            high=float(row.ratio_at_high),
            then=advice,
        )
    if row.exchanged:
        advice = remark("after_exchange", what=row.exchanged, then=advice)
    return advice


def _more(row: Any) -> Remark:
    """What it would take to tell."""
    if row.method_u > 0.0 and not np.isfinite(row.more_loads):
        return remark("weigh_do_not_count")
    if not row.more_loads >= 1.0:
        return remark("more_tickets")
    return remark("so_many_loads", loads=int(row.more_loads))


def _incomplete(row: Any) -> Remark:
    if row.usable_share < LEAST_KNOWN:
        lost_pct = 100.0 * (1.0 - float(row.usable_share))
        return remark("export_unreadable", truck=row.truck_id, lost_pct=lost_pct)
    if not row.known_share >= 0.0:
        return remark("sent_no_records", truck=row.truck_id)
    share = max(1.0 - float(row.known_share), 0.01)
    return remark("sensor_says_nothing", truck=row.truck_id, unknown_pct=100.0 * share)


def _shortfall(row: Any) -> Remark:
    """What the tickets of a storm lack, by the ratio of the storm."""
    accounted, count = float(row.loaded_lb - row.returned_lb), int(row.missing_loads)
    if accounted <= 0.0:
        return remark("more_came_back")
    share = (accounted + float(row.without_ticket_lb)) / accounted
    return remark("tickets_fall_short", share=share, loads=count)


def own_tests(ratios: pd.DataFrame, models: pd.DataFrame, drift: pd.DataFrame) -> pd.DataFrame:
    """What the trucks' own discharge tests say, beside the ratios from the tickets.

    If the controller still has the calibration number of the test before the last, the ratio of
    the tickets should be the change between the two tests.

    Parameters
    ----------
    ratios : truck_id, material; one row each.
    models : as `calibration.tables.models_table` returns it.
    drift : as `calibration.drift.drift` returns it.

    Returns
    -------
    DataFrame on the index of ``ratios``: tests (ids of the valid tests, joined by ";"),
    test_relative_u_pct (largest over the gates), last_test_id, last_test_at, test_change (last test
    over the one before) and test_change_u (relative); "" or missing where there is none.
    """
    keys = ["truck_id", "material"]
    tested = models.groupby(keys).agg(
        tests=("tests", lambda ids: ";".join(str(one) for one in ids)),
        test_relative_u_pct=("relative_u_pct", "max"),
    )
    last = drift.sort_values("performed_at", kind="stable").groupby(keys).last()
    change = pd.DataFrame(
        {
            "last_test_id": last["test_id"],
            "last_test_at": pd.to_datetime(last["performed_at"], utc=True),
            "test_change": last["value"] / last["previous_value"],
            "test_change_u": np.hypot(
                (last["value_u"] / last["value"]).to_numpy(dtype=float),
                (last["previous_value_u"] / last["previous_value"]).to_numpy(dtype=float),
            ),
        }
    )
    found = ratios[keys].join(tested, on=keys).join(change, on=keys).drop(columns=keys)
    return found.fillna({"tests": "", "last_test_id": ""})
