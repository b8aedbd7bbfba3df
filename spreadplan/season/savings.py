"""What better practice saves: material and money, each with an interval, nothing counted twice.

Practices are taken one after the other, each on what the one before leaves: first calibrated
rates, then the limits of sensitive areas, then prewetting. Undoing what is in use already goes the
other way round: first the lower rates in areas, then prewetting. Each material has rows of its own:
a ton of sand mix is no ton of salt. What this season measured stands apart from what a borrowed
percentage promises (`KNOWN`): the two are never added up.

The borrowed percentage is about salt, so it holds for salt alone (`materials.is_salt`), not for a
mix of sand with some salt. It costs liquid, whose volume and price are part of the row.

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
from spreadplan.materials import is_salt, price_per_ton
from spreadplan.metrology import TAIL
from spreadplan.planning.assigned import prewet_of_use
from spreadplan.remarks import Remark, remark
from spreadplan.schema.results import RESULTS
from spreadplan.season.use import SEGMENT_KEYS
from spreadplan.units import POUNDS_PER_TON

Floats = NDArray[np.float64]

PREWET_SAVES: Final = (0.20, 0.30)
PREWET_SOURCE: Final = (
    "Minnesota Snow and Ice Control Field Handbook for Snowplow Operators, LRRB manual 2005-01, "
    "p. 7: 20 to 30 % of the material is saved by wetting"
)
PREWET_GAL_PER_TON: Final = 10.0
PREWET_RATE_SOURCE: Final = "MaineDOT Treatment Recommendations, Table A"
"""Liquid on a ton of salt where the agency prewets nothing itself. MaineDOT Treatment
Recommendations, Table A (US National Transportation Library); read."""
DRAWS: Final = 4000
SEED: Final = 20261015

ALREADY: Final = "already saved"
TO_GAIN: Final = "still to gain"
CALIBRATION: Final = "calibrated rates"
AREAS: Final = "lower rates in sensitive areas"
PREWETTING: Final = "prewetting"
MEASURED: Final = "measured this season"
PLANNED: Final = "planned, not measured"
BORROWED: Final = "borrowed percentage"
KNOWN: Final = (MEASURED, PLANNED, BORROWED)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Season:
    """The season's rows of route, truck and material, with random draws of what is uncertain.

    Attributes
    ----------
    rows : route_id, truck_id, material, reported_lb, applied_lb and parts of their uncertainty.
    true_lb : draws of the true mass, shape (draws, rows). prewet_share : of what prewetting saves,
        shape (draws, 1).
    salt, wet : whether the material is salt; whether it is prewetted. gal_per_ton : as assigned.
        Shape (rows,).
    price : of a ton, shape (rows,). gal_price : of a gallon of liquid. NaN where not known.
    """

    rows: pd.DataFrame
    true_lb: Floats
    prewet_share: Floats
    salt: NDArray[np.bool_]
    wet: NDArray[np.bool_]
    gal_per_ton: Floats
    price: Floats
    gal_price: float

    @property
    def reported(self) -> Floats:
        """What the trucks reported, lb, shape (rows,)."""
        return self.rows["reported_lb"].to_numpy(dtype=float)


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
    assignments : route_id, material, prewet_gal_per_ton, with truck_id and ``storm`` as
        `planning.assigned.of_season` has them; another material than the assigned one is taken as
        dry. materials : material, kind, chemical, chloride_fraction, density_lb_gal, prices.

    Returns
    -------
    The table ``savings``, for each practice one row a material, in the order in which the practices
    are taken; intervals are 95 %, by 4,000 seeded draws of what is uncertain. A negative saving is
    one too: a truck that puts down less than it reports will use more once it is calibrated.
    ``liquid_gal`` is the liquid that prewetting takes, its price is taken off the money: of the
    only liquid in ``materials``. Money is NaN where a price is missing.
    """
    measured = use[(use["source"] == "measured") & ~use["as_prewet"]]
    keys = ["route_id", "truck_id", "material"]
    layers = ["reported_lb", "applied_lb", "fleet_u_lb", "truck_u_lb"]
    work = measured.assign(own_u2=measured["own_u_lb"] ** 2)
    rows = work.groupby(keys, sort=True)[[*layers, "own_u2"]].sum().reset_index()
    # what is of one storm is common to a truck's segments there: it averages out over the storms
    by_storm = measured.groupby([*keys, "storm"], sort=True)["storm_u_lb"].sum() ** 2
    rows["own_u2"] += by_storm.groupby(level=keys, sort=True).sum().to_numpy()
    if not len(rows):
        return pd.DataFrame(columns=RESULTS["savings"].names)
    gallons = prewet_of_use(assignments, measured) * measured["applied_lb"]
    total = gallons.groupby([measured[key] for key in keys], sort=True).sum().to_numpy(dtype=float)
    applied = rows["applied_lb"].to_numpy(dtype=float)
    per_ton = np.divide(total, applied, out=np.zeros(len(rows)), where=applied > 0.0)
    season = _of_season(rows, per_ton, materials)
    excess, excess_u = _excess_in_areas(measured, segments, shares, rows)
    found = [
        *_to_gain(season, excess, excess_u),
        *_already(season, _lowered_by_plan(planned, rows)),
    ]
    return pd.DataFrame(found, columns=RESULTS["savings"].names)


def _of_season(rows: pd.DataFrame, gallons: Floats, materials: pd.DataFrame) -> _Season:
    """``gallons`` : of prewetting liquid in a ton, shape (rows,)."""
    known = {str(one.material): one for one in lines(materials)}
    price = [price_per_ton(known[str(name)]) for name in rows["material"]]
    salt = np.array([is_salt(known[str(name)]) for name in rows["material"]], dtype=bool)
    liquids = [one for one in known.values() if one.kind == "liquid"]
    gal_price = np.nan
    if len(liquids) == 1:
        gal_price = price_per_ton(liquids[0]) * liquids[0].density_lb_gal / POUNDS_PER_TON
    true_lb, share = _draw(rows)
    return _Season(
        rows=rows,
        true_lb=true_lb,
        prewet_share=share[:, None],
        salt=salt,
        wet=salt & (gallons > 0.0),
        gal_per_ton=gallons,
        price=np.array(price, dtype=float),
        gal_price=float(gal_price),
    )


def _draw(rows: pd.DataFrame) -> tuple[Floats, Floats]:
    """True masses with common errors kept common, and the share that prewetting saves."""
    random = np.random.default_rng(SEED)
    mass = np.tile(rows["applied_lb"].to_numpy(dtype=float), (DRAWS, 1))
    for name, common in (("fleet_u_lb", ["material"]), ("truck_u_lb", ["truck_id", "material"])):
        group = rows.groupby(common, sort=True).ngroup().to_numpy()
        errors = random.standard_normal((DRAWS, int(group.max()) + 1))
        mass += errors[:, group] * rows[name].to_numpy(dtype=float)
    own = random.standard_normal(mass.shape) * np.sqrt(rows["own_u2"].to_numpy(dtype=float))
    return np.maximum(mass + own, 0.0), random.uniform(*PREWET_SAVES, DRAWS)


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


def _to_gain(season: _Season, excess: Floats, excess_u: Floats) -> list[dict[str, Any]]:
    reported, true = season.reported, season.true_lb
    random = np.random.default_rng(SEED + 1)
    kept = excess + random.standard_normal((DRAWS, len(excess))) * excess_u
    dry = season.salt & ~season.wet
    left = np.maximum(reported - kept, 0.0) * dry
    saved = left * season.prewet_share
    gal_per_ton, whose = _liquid_rate(season)
    return [
        *_lines(
            season,
            _kind(TO_GAIN, 1, CALIBRATION, MEASURED),
            true.mean(axis=0),
            true - reported,
            remark("beyond_their_settings"),
            remark("from_tickets"),
        ),
        *_lines(
            season,
            _kind(TO_GAIN, 2, AREAS, MEASURED),
            reported,
            kept,
            remark("above_allowed_in_areas"),
            remark("from_plans_and_telemetry"),
        ),
        *_lines(
            season,
            _kind(TO_GAIN, 3, PREWETTING, BORROWED),
            left.mean(axis=0),
            saved,
            remark("if_prewetted", liquid_gal_per_ton=gal_per_ton, whose=whose),
            PREWET_SOURCE,
            liquid_gal=(left - saved) / POUNDS_PER_TON * gal_per_ton,
        ),
    ]


def _liquid_rate(season: _Season) -> tuple[float, Remark]:
    """Gallons on a ton of salt that is dry today, and whose figure that is."""
    tons = season.true_lb.mean(axis=0) * season.wet
    if not tons.sum() > 0.0:
        return PREWET_GAL_PER_TON, remark("as_published", source=PREWET_RATE_SOURCE)
    return float(np.average(season.gal_per_ton, weights=tons)), remark("as_routes_are")


def _already(season: _Season, lowered: Floats | None) -> list[dict[str, Any]]:
    found = []
    without = season.true_lb
    if lowered is not None:
        # nobody records whether the driver lowered the rate within a segment: nothing to all of it
        share = np.random.default_rng(SEED + 2).uniform(0.0, 1.0, DRAWS)[:, None]
        found += _lines(
            season,
            _kind(ALREADY, 1, AREAS, PLANNED),
            without.mean(axis=0),
            share * lowered,
            remark("lowered_in_areas"),
            remark("from_plans"),
        )
        without = without + share * lowered
    wet = without * season.wet
    found += _lines(
        season,
        _kind(ALREADY, 2, PREWETTING, BORROWED),
        wet.mean(axis=0),
        wet * season.prewet_share / (1.0 - season.prewet_share),
        remark("saved_by_prewetting"),
        PREWET_SOURCE,
        liquid_gal=season.true_lb * season.wet / POUNDS_PER_TON * season.gal_per_ton,
    )
    return found


def _kind(state: str, step: int, practice: str, known: str) -> dict[str, Any]:
    return {"state": state, "step": step, "practice": practice, "known": known}


def _lines(
    season: _Season,
    kind: dict[str, Any],
    base_lb: Floats,
    saved_lb: Floats,
    basis: Remark,
    source: Remark | str,
    liquid_gal: Floats | None = None,
) -> list[dict[str, Any]]:
    """One row for each material that the practice works on.

    ``kind`` : state, step, practice, known. ``base_lb`` shape (rows,), ``saved_lb`` and
    ``liquid_gal`` shape (draws, rows).
    """
    rows = []
    for material in sorted(season.rows["material"].unique()):
        own = (season.rows["material"] == material).to_numpy()
        base, saved = base_lb[own], saved_lb[:, own] / POUNDS_PER_TON
        if not base.sum() > 0.0:
            continue
        gallons = np.zeros(DRAWS) if liquid_gal is None else liquid_gal[:, own].sum(axis=1)
        total = saved.sum(axis=1)
        money = total * season.price[own][0]
        if gallons.any():
            money = money - gallons * season.gal_price
        ends, money_ends = (np.quantile(one, [TAIL, 1.0 - TAIL]) for one in (total, money))
        rows.append(
            {
                **kind,
                "material": material,
                "base_ton": float(base.sum()) / POUNDS_PER_TON,
                "saved_ton": float(total.mean()),
                "saved_lo_ton": float(ends[0]),
                "saved_hi_ton": float(ends[1]),
                "liquid_gal": float(gallons.mean()),
                "money": float(money.mean()),
                "money_lo": float(money_ends[0]),
                "money_hi": float(money_ends[1]),
                "basis": basis,
                "source": source,
            }
        )
    return rows
