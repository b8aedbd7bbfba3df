"""What drivers set and saw, beside what the cab card says and what the truck gave.

Rates in lb per lane-mile, masses in lb.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.applications import Moment
from spreadplan.planning.rest_made import made_of
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.units import area_rate_lb_per_lane_mile

GATE_STEP_IN: Final = 0.125
FEEDER_STEP_PCT: Final = 5.0
RATE_STEP: Final = 0.05
"""So much beside the card, in inches, percent of full output and as a share of the rate, a setting
still counts as the card's. Common practice, no source."""

RUN: Final = ["application", "route_id"]
_GIVEN: Final = ("rate", "low", "high")


def driver_entries(
    log: pd.DataFrame,
    planned: pd.DataFrame,
    begins: Mapping[str, Moment],
    given: pd.DataFrame,
    lb_per_gal: Mapping[str, float],
) -> pd.DataFrame:
    """Each entry of the drivers' log beside its card and its records.

    Parameters
    ----------
    log : as in `storms/STORM/driver_log.csv`.
    planned : segments of the plan that the cards were made of: application, route_id, truck_id,
        material, gate_in, feeder_pct, target_rate_lb_per_lane_mile, lane_width_ft; empty without
        one.
    begins : when each application begins; NaT: not known.
    given : as `given_in_runs` gives it; empty where no record tells.
    lb_per_gal : mass of a gallon of each liquid.

    Returns
    -------
    The table ``use_driver_log``, in order of time.
    """
    names = RESULTS["use_driver_log"].names
    if log.empty:
        return pd.DataFrame(columns=names)
    by_run = {
        (str(application), str(route)): rows
        for (application, route), rows in (planned.groupby(RUN, sort=False) if len(planned) else ())
    }
    rates = {tuple(row[:3]): row[3:] for row in given.itertuples(index=False, name=None)}
    rows = []
    for entry in lines(log.sort_values("time", kind="stable")):
        application = entry.application or _running(entry, by_run, begins)
        card = by_run.get((application, entry.route_id))
        gave = rates.get((entry.truck_id, application, entry.route_id), (np.nan,) * 3)
        rows.append(_row(entry, application, card, gave, lb_per_gal))
    return pd.DataFrame(rows, columns=names)


def _running(
    entry: Any, by_run: Mapping[tuple[str, str], Any], begins: Mapping[str, Moment]
) -> str:
    """The application of the route that had begun last; its first where none had."""
    of_route = [name for name, route in by_run if route == entry.route_id]
    known = sorted(
        (name for name in of_route if not pd.isna(begins.get(name, pd.NaT))),
        key=lambda name: begins[name],
    )
    begun = [name for name in known if begins[name] <= entry.time]
    return str((begun[-1:] or known[:1] or of_route[:1] or [""])[0])


def _row(
    entry: Any,
    application: str,
    card: pd.DataFrame | None,
    gave: tuple[float, ...],
    lb_per_gal: Mapping[str, float],
) -> dict[str, Any]:
    """A row of the result."""
    spread = card[card["target_rate_lb_per_lane_mile"] > 0.0] if card is not None else None
    says = _Card(spread)
    if says.truck_id and says.truck_id != entry.truck_id:
        says, planned_truck = _Card(None), says.truck_id
    else:
        planned_truck = says.truck_id
    set_rate = _rate(entry, spread, lb_per_gal)
    apart = tuple(_apart(entry, set_rate, says))
    told = [value for value in (entry.gate_in, entry.feeder_pct, set_rate) if value == value]
    verdict = "not_said"
    if says.truck_id == "":
        verdict = "no_card"
    elif apart:
        verdict = "differs"
    elif told or entry.as_card is True:
        verdict = "as_card"
    meant = set_rate if set_rate == set_rate else says.only_rate(entry.as_card is True)
    beside, note = _beside(meant, gave)
    return {
        "time": entry.time,
        "truck_id": entry.truck_id,
        "route_id": entry.route_id,
        "application": application,
        "planned_truck_id": planned_truck,
        **says.columns(),
        "set_gate_in": entry.gate_in,
        "set_feeder_pct": entry.feeder_pct,
        "set_rate_lb_per_lane_mile": set_rate,
        **{
            f"given_{name}_lb_per_lane_mile": value
            for name, value in zip(_GIVEN, gave, strict=True)
        },
        "surface": entry.surface,
        "worked": entry.worked,
        "verdict": verdict,
        "given_verdict": beside,
        "what": (*apart, *note),
        "note": entry.note,
    }


class _Card:
    """What the card of a run says: the gate, and from where to where the settings go."""

    def __init__(self, rows: pd.DataFrame | None) -> None:
        rows = pd.DataFrame() if rows is None else rows
        self.truck_id = str(rows["truck_id"].iloc[0]) if len(rows) else ""
        gates = rows["gate_in"].dropna().tolist() if len(rows) else []
        self.gates: tuple[float, ...] = tuple(sorted(set(gates)))
        self.feeder = _ends(rows, "feeder_pct")
        self.rate = _ends(rows, "target_rate_lb_per_lane_mile")

    def only_rate(self, followed: bool) -> float:
        """The rate, where the card has one alone and it was followed; else NaN."""
        return self.rate[0] if followed and self.rate[0] == self.rate[1] else np.nan

    def columns(self) -> dict[str, float]:
        """The card's part of the result."""
        return {
            "card_gate_in": next(iter(self.gates), np.nan),
            "card_feeder_low_pct": self.feeder[0],
            "card_feeder_high_pct": self.feeder[1],
            "card_low_lb_per_lane_mile": self.rate[0],
            "card_high_lb_per_lane_mile": self.rate[1],
        }


def _ends(rows: pd.DataFrame, name: str) -> tuple[float, float]:
    values = rows[name].dropna().tolist() if name in rows else []
    return (float(min(values)), float(max(values))) if values else (np.nan, np.nan)


def _rate(entry: Any, card: pd.DataFrame | None, lb_per_gal: Mapping[str, float]) -> float:
    """The rate that was set, on the lanes and of the material of the run; NaN: not said."""
    rows = card if card is not None and len(card) else pd.DataFrame()
    if entry.rate_g_per_m2 == entry.rate_g_per_m2:
        width = float(rows["lane_width_ft"].mean()) if "lane_width_ft" in rows else 12.0
        per_area = np.array([entry.rate_g_per_m2])
        return float(area_rate_lb_per_lane_mile(per_area, np.array([width]))[0])
    if entry.rate_gal_per_lane_mile == entry.rate_gal_per_lane_mile:
        material = str(rows["material"].iloc[0]) if len(rows) else ""
        return float(entry.rate_gal_per_lane_mile * lb_per_gal.get(material, np.nan))
    return float(entry.rate_lb_per_lane_mile)


def _apart(entry: Any, set_rate: float, card: _Card) -> Iterator[Remark]:
    """In what the driver set something else than the card says."""
    set_in, set_pct = float(entry.gate_in), float(entry.feeder_pct)
    # comparisons with what is not known, NaN, are never true
    if card.gates and min(abs(set_in - gate) for gate in card.gates) > GATE_STEP_IN:
        yield remark("driver_set_gate", set_in=set_in, card_in=card.gates)
    low, high = card.feeder
    if set_pct < low - FEEDER_STEP_PCT or set_pct > high + FEEDER_STEP_PCT:
        yield remark("driver_set_feeder", set_pct=set_pct, ends=(low, high))
    low, high = card.rate
    if set_rate < low * (1.0 - RATE_STEP) or set_rate > high * (1.0 + RATE_STEP):
        yield remark("driver_set_rate", set_lb_per_lane_mile=set_rate, ends=(low, high))


def _beside(meant: float, gave: tuple[float, ...]) -> tuple[str, tuple[Remark, ...]]:
    """Whether the truck gave what was set, and what to say of it."""
    rate, low, high = gave
    if not (meant > 0.0 and rate == rate):
        return "unknown", ()
    verdict = "as_set"
    if low > meant * (1.0 + RATE_STEP):
        verdict = "more"
    elif high < meant * (1.0 - RATE_STEP):
        verdict = "less"
    else:
        return verdict, ()
    ends = low, high
    if verdict == "more":
        said = remark(
            "truck_gave_more",
            given_lb_per_lane_mile=rate,
            ends=ends,
            set_lb_per_lane_mile=meant,
        )
    else:
        said = remark(
            "truck_gave_less",
            given_lb_per_lane_mile=rate,
            ends=ends,
            set_lb_per_lane_mile=meant,
        )
    return verdict, (said,)


def given_in_runs(
    treatments: pd.DataFrame, runs: pd.DataFrame, trucks: pd.DataFrame, segments: pd.DataFrame
) -> pd.DataFrame:
    """The mean rate that each truck gave in each run.

    Parameters
    ----------
    treatments : as `treatments.treatments_of` gives them.
    runs : application, route_id, begins, planned_at, as `rest_made.made_of` asks for.
    trucks : truck_id, material, ratio, ratio_lo, ratio_hi.
    segments : route_id, segment_id, lane_miles, passes_per_application of one application.

    Returns
    -------
    truck_id, application, route_id, rate, low, high (95 %, by the truck's ratio).
    """
    names = ["truck_id", *RUN, *_GIVEN]
    one = segments.rename(columns={"passes_per_application": "passes"})
    made = made_of(treatments, runs, one) if len(treatments) and len(runs) else pd.DataFrame()
    if made.empty:
        return pd.DataFrame(columns=names)
    keys = ["route_id", "segment_id"]
    # a treatment is of the first round of its segment that ends not before it
    ends = made.assign(time_s=made["treated_at"].map(lambda at: at.timestamp()))
    rows = pd.merge_asof(
        treatments.sort_values("time_s", kind="stable").assign(
            time_s=lambda table: table["time_s"].astype(float)
        ),
        ends.sort_values("time_s", kind="stable")[[*keys, "application", "time_s"]],
        on="time_s",
        by=keys,
        direction="forward",
        tolerance=None,
    ).dropna(subset=["application"])
    rows = rows.merge(segments, on=keys).merge(
        trucks[["truck_id", "material", "ratio", "ratio_lo", "ratio_hi"]],
        on=["truck_id", "material"],
    )
    lane_miles = rows["passes"] * rows["lane_miles"] / rows["passes_per_application"]
    masses = {
        name: rows["reported_lb"] * rows[ratio].astype(float)
        for name, ratio in zip(_GIVEN, ("ratio", "ratio_lo", "ratio_hi"), strict=True)
    }
    by = [rows[name] for name in ("truck_id", *RUN)]
    sums = pd.DataFrame({**masses, "lane_miles": lane_miles}).groupby(by).sum()
    sums = sums[sums["lane_miles"] > 0.0]
    return pd.DataFrame(sums[[*_GIVEN]].div(sums["lane_miles"], axis=0).reset_index()[names])
