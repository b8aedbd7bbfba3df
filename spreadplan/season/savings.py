"""What better practice saves: material and money, each with an interval, nothing counted twice.

Practices are taken one after the other, each on what the one before leaves: first calibrated
rates, then the limits of sensitive areas, then prewetting. So the rows of a state add up. Undoing
what is in use already goes the other way round: first the lower rates in areas, then prewetting.

What prewetting saves: 20 to 30 % of the material, Minnesota Snow and Ice Control Field Handbook for
Snowplow Operators (LRRB manual 2005-01, p. 7; read). It agrees with what dry salt loses to bounce
and scatter, 30 % in a Michigan DOT study of the early 1970s (Minimizing Bounce and Scatter, Cornell
Local Roads Program, Nuggets & Nibbles, 2015; read), and with the 25 % that Wisconsin DOT states
(news release of January 2014; read). Loss with prewetting, 4 % in the Michigan study, is from
memory and not used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.frames import lines
from spreadplan.metrology import TAIL
from spreadplan.schema.results import RESULTS
from spreadplan.season.budgets import price_per_ton
from spreadplan.season.use import SEGMENT_KEYS
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]

PREWET_SAVES: Final = (0.20, 0.30)
PREWET_SOURCE: Final = (
    "Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01, "
    "p. 7: 20 to 30 % of the material is saved by wetting"
)
DRAWS: Final = 4000
SEED: Final = 20261015

ALREADY: Final = "already saved"
TO_GAIN: Final = "still to gain"
CALIBRATION: Final = "calibrated rates"
AREAS: Final = "lower rates in sensitive areas"
PREWETTING: Final = "prewetting"


@dataclass(frozen=True, eq=False)
class _Draws:
    """Random draws of what is uncertain, shape (draws, rows) or (draws,)."""

    true_lb: Floats
    prewet_share: Floats


def savings(
    use: pd.DataFrame,
    segments: pd.DataFrame,
    planned: pd.DataFrame | None,
    shares: pd.DataFrame,
    assignments: pd.DataFrame,
    materials: pd.DataFrame,
) -> pd.DataFrame:
    """What is saved already and what is still to gain, over the measured storms of a season.

    Parameters
    ----------
    use : as `use.season_use` returns it; planned storms are left out.
    segments : the judged segments of all storms: storm, route_id, segment_id, material, allowed_lb
        (NaN: no plan).
    planned : the plans of the same storms: storm, application, route_id, material, area_id ("" for
        none), lane_miles, target_rate_lb_per_lane_mile. None: what lower rates in areas save
        already is left out.
    shares : as `chloride.area_shares` returns it.
    assignments : route_id, prewet_gal_per_ton. materials : material, kind, prices.

    Returns
    -------
    The table ``savings`` in the order in which the practices are taken; intervals are 95 %, by
    4,000 seeded draws of what is uncertain. A negative saving is one too: a truck that puts down
    less than it reports will use more once it is calibrated. Money is NaN where a price is missing;
    the prewetting liquid's own price is not taken off.
    """
    measured = use[use["source"] == "measured"]
    keys = ["route_id", "truck_id", "material"]
    layers = ["reported_lb", "applied_lb", "fleet_u_lb", "truck_u_lb"]
    work = measured.assign(own_u2=measured["own_u_lb"] ** 2)
    rows = work.groupby(keys, sort=True)[[*layers, "own_u2"]].sum().reset_index()
    # what is of one storm is common to a truck's segments there: it averages out over the storms
    by_storm = measured.groupby([*keys, "storm"], sort=True)["storm_u_lb"].sum() ** 2
    rows["own_u2"] += by_storm.groupby(level=keys, sort=True).sum().to_numpy()
    if not len(rows):
        return pd.DataFrame(columns=RESULTS["savings"].names)
    prewet = rows["route_id"].map(
        dict(zip(assignments["route_id"], assignments["prewet_gal_per_ton"], strict=True))
    ).fillna(0.0)  # fmt: skip
    solid = rows["material"].isin(materials.loc[materials["kind"] == "solid", "material"])
    wet = ((prewet > 0.0) & solid).to_numpy()
    dry = ((prewet <= 0.0) & solid).to_numpy()
    prices = {str(one.material): price_per_ton(one) for one in lines(materials)}
    price: Floats = np.array([prices[str(name)] for name in rows["material"]], dtype=float)
    drawn = _draw(rows)
    excess, excess_u = _excess_in_areas(measured, segments, shares, rows)
    lowered = _lowered_by_plan(planned, rows)
    found = [
        *_to_gain(rows, drawn, excess, excess_u, dry, price),
        *_already(drawn, lowered, wet, price),
    ]
    return pd.DataFrame(found, columns=RESULTS["savings"].names)


def _draw(rows: pd.DataFrame) -> _Draws:
    """True masses with common errors kept common, and the share that prewetting saves."""
    random = np.random.default_rng(SEED)
    mass = np.tile(rows["applied_lb"].to_numpy(dtype=float), (DRAWS, 1))
    for name, common in (("fleet_u_lb", ["material"]), ("truck_u_lb", ["truck_id", "material"])):
        group = rows.groupby(common, sort=True).ngroup().to_numpy()
        errors = random.standard_normal((DRAWS, int(group.max()) + 1))
        mass += errors[:, group] * rows[name].to_numpy(dtype=float)
    own = random.standard_normal(mass.shape) * np.sqrt(rows["own_u2"].to_numpy(dtype=float))
    return _Draws(np.maximum(mass + own, 0.0), random.uniform(*PREWET_SAVES, DRAWS))


def _excess_in_areas(
    measured: pd.DataFrame, segments: pd.DataFrame, shares: pd.DataFrame, rows: pd.DataFrame
) -> tuple[Floats, Floats]:
    """Reported mass above what was allowed on segments that touch an area, on the rows' order.

    Reported, since the trucks count as calibrated by then. The standard uncertainty is that of
    where the mass fell. Shape (rows,) each.
    """
    at = ["storm", *SEGMENT_KEYS]
    touched = shares[["route_id", "segment_id"]].drop_duplicates()
    here = measured.merge(touched, on=["route_id", "segment_id"])
    here = here.merge(segments[[*at, "allowed_lb"]], on=at)
    reported = here.groupby(at)["reported_lb"].transform("sum")
    above = (reported - here["allowed_lb"]).clip(lower=0.0).fillna(0.0)
    part = (here["reported_lb"] / reported.where(reported > 0.0)).fillna(0.0)
    here = here.assign(
        excess=above * part, variance=(here["own_u_lb"] ** 2).where(above > 0.0, 0.0)
    )
    keys = ["route_id", "truck_id", "material"]
    sums = here.groupby(keys)[["excess", "variance"]].sum()
    found = sums.reindex(pd.MultiIndex.from_frame(rows[keys])).fillna(0.0)
    return found["excess"].to_numpy(dtype=float), np.sqrt(found["variance"].to_numpy(dtype=float))


def _lowered_by_plan(planned: pd.DataFrame | None, rows: pd.DataFrame) -> Floats | None:
    """Mass that the plans took off in areas, lb, on the rows' order; None without plans.

    What the rate would have been is that of the rest of the route in the same round, by lane-miles;
    a route that lies wholly in areas has no such rest and counts as 0.
    """
    if planned is None:
        return None
    keys = ["storm", "application", "route_id", "material"]
    rate = planned["target_rate_lb_per_lane_mile"]
    work = planned[rate.notna()].assign(mass=rate * planned["lane_miles"])
    outside = work[work["area_id"] == ""].groupby(keys)[["mass", "lane_miles"]].sum()
    usual = (outside["mass"] / outside["lane_miles"]).rename("usual")
    inside = work[work["area_id"] != ""].join(usual, on=keys)
    less = (inside["usual"] * inside["lane_miles"] - inside["mass"]).clip(lower=0.0).fillna(0.0)
    by_route = less.groupby([inside["route_id"], inside["material"]]).sum()
    pairs = pd.MultiIndex.from_frame(rows[["route_id", "material"]])
    whole = by_route.reindex(pairs).fillna(0.0).to_numpy(dtype=float)
    total = rows.groupby(["route_id", "material"])["applied_lb"].transform("sum")
    part = (rows["applied_lb"] / total.where(total > 0.0)).fillna(0.0).to_numpy(dtype=float)
    result: Floats = whole * part
    return result


def _to_gain(
    rows: pd.DataFrame, drawn: _Draws, excess: Floats, excess_u: Floats, dry: NDArray[np.bool_],
    price: Floats,
) -> list[dict[str, Any]]:  # fmt: skip
    reported = rows["reported_lb"].to_numpy(dtype=float)
    random = np.random.default_rng(SEED + 1)
    kept = excess + random.standard_normal((DRAWS, len(excess))) * excess_u
    left = np.maximum(reported - kept, 0.0)
    saved = left * dry * drawn.prewet_share[:, None]
    return [
        _line(
            TO_GAIN, 1, CALIBRATION, drawn.true_lb.mean(axis=0), drawn.true_lb - reported, price,
            "true mass less reported mass: what trucks put down beyond what they were set to",
            "this season's load tickets",
        ),
        _line(
            TO_GAIN, 2, AREAS, reported, kept, price,
            "reported mass above what was allowed on segments that touch a sensitive area",
            "this season's plans and telemetry",
        ),
        _line(
            TO_GAIN, 3, PREWETTING, left.mean(axis=0) * dry, saved, price,
            "routes on dry solid material, if they were prewetted", PREWET_SOURCE,
        ),
    ]  # fmt: skip


def _already(
    drawn: _Draws, lowered: Floats | None, wet: NDArray[np.bool_], price: Floats
) -> list[dict[str, Any]]:
    found = []
    without = drawn.true_lb
    if lowered is not None:
        # nobody records whether the driver lowered the rate within a segment: nothing to all of it
        share = np.random.default_rng(SEED + 2).uniform(0.0, 1.0, DRAWS)[:, None]
        found.append(_line(
            ALREADY, 1, AREAS, without.mean(axis=0), share * lowered, price,
            "planned mass below what the rest of the route got; from none to all of it, since "
            "whether drivers lowered the rate within a segment is not recorded",
            "this season's plans",
        ))  # fmt: skip
        without = without + share * lowered
    factor = drawn.prewet_share[:, None] / (1.0 - drawn.prewet_share[:, None])
    found.append(_line(
        ALREADY, 2, PREWETTING, without.mean(axis=0) * wet, without * wet * factor, price,
        "routes that are prewetted: what they would have taken dry, less what they took",
        PREWET_SOURCE,
    ))  # fmt: skip
    return found


def _line(
    state: str, step: int, practice: str, base_lb: Floats, saved_lb: Floats, price: Floats,
    basis: str, source: str,
) -> dict[str, Any]:  # fmt: skip
    """One row; ``base_lb`` shape (rows,), ``saved_lb`` shape (draws, rows)."""
    tons = saved_lb / POUNDS_PER_TON
    used = np.abs(tons).sum(axis=0) > 0.0
    money = (tons[:, used] * price[used]).sum(axis=1)
    total = tons.sum(axis=1)
    ends = np.quantile(total, [TAIL, 1.0 - TAIL])
    money_ends = np.quantile(money, [TAIL, 1.0 - TAIL])
    return {
        "state": state, "step": step, "practice": practice,
        "base_ton": float(base_lb.sum()) / POUNDS_PER_TON, "saved_ton": float(total.mean()),
        "saved_lo_ton": float(ends[0]), "saved_hi_ton": float(ends[1]),
        "money": float(money.mean()), "money_lo": float(money_ends[0]),
        "money_hi": float(money_ends[1]), "basis": basis, "source": source,
    }  # fmt: skip
