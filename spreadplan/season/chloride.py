"""Chloride put down: by route, sensitive area, watershed, storm and season, with uncertainty.

Masses in lb. The chloride in a material follows from its stated fraction, else from the formula of
its salt, its purity and its moisture. What is put down is not what reaches a stream: see
`spreadplan.season.water`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy import special

from spreadplan.frames import lines
from spreadplan.materials import Fraction, chemical_fraction, chloride_fraction
from spreadplan.metrology import Z95
from spreadplan.planning.assigned import of_use, prewet_of_use
from spreadplan.planning.geometry import split_at_areas
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.season.use import LAYERS, layered_u
from spreadplan.units import POUNDS_PER_TON

CHLORIDE_LAYERS: Final[Mapping[str, tuple[str, ...]]] = {
    **{f"chloride_{name}": common for name, common in LAYERS.items()},
    # whether the rate is lowered in an area is the habit of a driver, so the same all along it
    "fraction_u_lb": ("material",),
    "share_u_lb": ("truck_id", "area_id"),
}

WATERSHED: Final = "watershed"
VERDICTS: Final = ("over", "probably_over", "within", "no limit")


def fractions(materials: pd.DataFrame) -> dict[str, Fraction]:
    """Chloride in each material."""
    return {str(one.material): chloride_fraction(one) for one in lines(materials)}


def area_shares(
    routes: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame | None,
    policy: Policy,
    planned: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Share of each segment's material that falls in each area.

    Two readings bound it: the driver keeps one rate along the segment, and the driver lowers it in
    the area as planned, by the area's factor where there is no plan (nobody records which). The
    estimate is the middle, the standard uncertainty that of a rectangle between the two.

    Parameters
    ----------
    planned : the plans of the storms: route_id, segment_id, area_id (several joined by "; "),
        mass_lb. They know the areas' greatest rates as well.

    Returns
    -------
    route_id, segment_id, area_id, share, share_u, area_mi; only segments that touch an area.
    """
    columns = ["route_id", "segment_id", "area_id", "share", "share_u", "area_mi"]
    if areas is None or not len(areas):
        kinds = dict.fromkeys(columns[:3], "object") | dict.fromkeys(columns[3:], "float64")
        return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in kinds.items()})
    parts = split_at_areas(routes, areas)
    factors = dict(
        zip(areas["area_id"], areas["rate_factor"].fillna(policy.sensitive_factor), strict=True)
    )
    least = [min((factors[name] for name in names), default=1.0) for names in parts["area_ids"]]
    weighted = parts.assign(kept_mi=parts["length_mi"] * np.array(least, dtype=float))
    keys = ["route_id", "segment_id"]
    whole = weighted.groupby(keys, sort=True)[["length_mi", "kept_mi"]].sum().add_suffix("_whole")
    inside = pd.DataFrame(weighted.drop(columns="geometry")).explode("area_ids")
    inside = inside[inside["area_ids"].notna()].rename(columns={"area_ids": "area_id"})
    sums = inside.groupby([*keys, "area_id"], sort=True)[["length_mi", "kept_mi"]].sum()
    sums = sums.reset_index().join(whole, on=keys)
    flat = sums["length_mi"] / sums["length_mi_whole"]
    lowered = (sums["kept_mi"] / sums["kept_mi_whole"]).where(sums["kept_mi_whole"] > 0.0, flat)
    if planned is not None:
        ours = pd.MultiIndex.from_frame(sums[[*keys, "area_id"]])
        as_planned = _planned_shares(planned).reindex(ours).to_numpy(dtype=float)
        lowered = lowered.where(np.isnan(as_planned), as_planned)
    return sums.assign(
        share=(flat + lowered) / 2.0,
        share_u=(flat - lowered).abs() / 12.0**0.5,
        area_mi=sums["length_mi"],
    )[columns]


def _planned_shares(planned: pd.DataFrame) -> pd.Series[float]:
    """Share of each segment's planned mass that lies in each area, by route, segment and area."""
    keys = ["route_id", "segment_id"]
    rows = planned.loc[planned["mass_lb"] > 0.0, [*keys, "area_id", "mass_lb"]]
    whole = rows.groupby(keys)["mass_lb"].sum()
    inside = rows.assign(area_id=rows["area_id"].str.split("; ")).explode("area_id")
    sums = inside.join(whole.rename("whole_lb"), on=keys).groupby([*keys, "area_id"])
    shares: pd.Series[float] = sums["mass_lb"].sum() / sums["whole_lb"].first()
    return shares


def chloride_rows(
    use: pd.DataFrame,
    known: Mapping[str, Fraction],
    chemical: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """The season's use with chloride_lb and the parts of its uncertainty (`CHLORIDE_LAYERS`).

    A material whose chloride is not known counts as NaN; `without_chloride` names it.
    ``chemical`` : dry chemical in a mass of each material, for chemical_lb.
    """
    value = use["material"].map({name: one.value for name, one in known.items()}).astype(float)
    u = use["material"].map({name: one.u for name, one in known.items()}).astype(float)
    layers = {f"chloride_{name}": use[name] * value for name in LAYERS}
    return use.assign(
        chloride_lb=use["applied_lb"] * value,
        chemical_lb=use["applied_lb"] * use["material"].map(dict(chemical or {})).astype(float),
        fraction_u_lb=use["applied_lb"] * u,
        share_u_lb=0.0,
        area_id="",
        **layers,
    )


def without_chloride(use: pd.DataFrame, known: Mapping[str, Fraction]) -> pd.DataFrame:
    """Materials in use whose chloride is not known: material, used_ton, basis."""
    tons = use.groupby("material", sort=True)["applied_lb"].sum() / POUNDS_PER_TON
    rows = [
        (name, ton, known[str(name)].basis)
        for name, ton in tons.items()
        if np.isnan(known[str(name)].value)
    ]
    return pd.DataFrame(rows, columns=["material", "used_ton", "basis"])


def rows_in_areas(rows: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    """`chloride_rows` cut down to what falls in each area, one row for each area it touches."""
    inside = rows.drop(columns="area_id").merge(shares, on=["route_id", "segment_id"])
    inside["share_u_lb"] = inside["chloride_lb"] * inside["share_u"]
    for name in (
        "applied_lb",
        "chloride_lb",
        "chemical_lb",
        "fraction_u_lb",
        *(f"chloride_{layer}" for layer in LAYERS),
    ):
        inside[name] = inside[name] * inside["share"]
    return inside


def chloride_table(
    use: pd.DataFrame,
    materials: pd.DataFrame,
    shares: pd.DataFrame,
    areas: pd.DataFrame | None,
    season: str,
    confidence: float,
) -> pd.DataFrame:
    """Chloride of the agency, each route, sensitive area and watershed, by storm and season.

    Parameters
    ----------
    use : as `use.season_use` returns it.
    shares : as `area_shares` returns it.
    areas : area_id, name, kind, chloride_limit_lb (a season's). An area of the kind "watershed" has
        that scope. Areas may overlap: their rows don't add up to the agency's.
    confidence : probability needed to say "over" without "probably".

    Returns
    -------
    The table ``chloride``; storm is "" for the season. limit_lb, p_over and verdict hold for the
    season only.
    """
    chemical = {str(one.material): chemical_fraction(one).value for one in lines(materials)}
    rows = chloride_rows(use, fractions(materials), chemical)
    rows = rows[rows["chloride_lb"].notna()].assign(all="")
    inside = rows_in_areas(rows, shares)
    facts = {} if areas is None else {str(one.area_id): one for one in lines(areas)}
    found = [
        _scope(rows, "agency", "all"),
        _scope(rows, "route", "route_id"),
        _scope(inside, "area", "area_id"),
    ]
    table = pd.concat(found, ignore_index=True)
    table["season"] = season
    table["name"] = [facts[one].name if one in facts else "" for one in table["scope_id"]]
    kinds = [str(facts[one].kind).casefold() if one in facts else "" for one in table["scope_id"]]
    is_area = table["scope"] == "area"
    table.loc[is_area & (np.array(kinds) == WATERSHED), "scope"] = WATERSHED
    limits = [facts[one].chloride_limit_lb if one in facts else np.nan for one in table["scope_id"]]
    whole = is_area & (table["storm"] == "")
    table["limit_lb"] = pd.Series(limits, index=table.index, dtype=float).where(whole)
    return judged(table, confidence)[RESULTS["chloride"].names]


def _scope(rows: pd.DataFrame, scope: str, column: str) -> pd.DataFrame:
    """Sums of one scope: the season first, then its storms in order of time."""
    frames = []
    for by in ([column], [column, "storm"]):
        sums = rows.groupby(by, sort=True)[["applied_lb", "chloride_lb", "chemical_lb"]].sum()
        sums["chloride_u_lb"] = layered_u(rows, by, CHLORIDE_LAYERS) if len(rows) else 0.0
        frames.append(sums.reset_index().assign(storm="") if len(by) == 1 else sums.reset_index())
    table = pd.concat(frames, ignore_index=True).rename(columns={column: "scope_id"})
    order = {name: place for place, name in enumerate(["", *rows["storm"].unique()])}
    half = Z95 * table["chloride_u_lb"]
    return table.assign(
        scope=scope,
        material_ton=table["applied_lb"] / POUNDS_PER_TON,
        chloride_lo_lb=(table["chloride_lb"] - half).clip(lower=0.0),
        chloride_hi_lb=table["chloride_lb"] + half,
        place=table["storm"].map(order),
    ).sort_values(["scope_id", "place"], kind="stable", ignore_index=True)


def judged(table: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Rows with p_over and verdict against limit_lb (NaN: "no limit").

    Source of the rule: JCGM 106:2012, 7.2 (probability of conforming to one limit).
    """
    over = table["chloride_lb"] - table["limit_lb"]
    u = table["chloride_u_lb"]
    p_over = pd.Series(special.ndtr((over / u.where(u > 0.0)).to_numpy(dtype=float)), table.index)
    p_over = p_over.where(u > 0.0, (over > 0.0).astype(float)).where(table["limit_lb"].notna())
    verdict = np.select(
        [p_over.isna(), p_over >= confidence, p_over >= 0.5],
        ["no limit", "over", "probably_over"],
        "within",
    )
    return table.assign(p_over=p_over, verdict=verdict.astype(object))


def prewet_chloride_lb(
    use: pd.DataFrame, assignments: pd.DataFrame, materials: pd.DataFrame
) -> pd.DataFrame:
    """Chloride of the prewetting liquid by route, as assigned: an addition of about one percent.

    Of liquid that the assignments do not name: a named one counts in the season's use and chloride.
    Which it is nobody says, so it is worked out only where the workspace has exactly one whose
    chloride and density are known. Returns route_id, prewet_gal, chloride_lb (NaN where it
    can't be known); routes without prewetting are left out.
    """
    liquids = [
        one
        for one in lines(materials)
        if one.kind == "liquid"
        and not np.isnan(chloride_fraction(one).value)
        and not np.isnan(one.density_lb_gal)
    ]
    per_gal = np.nan
    if len(liquids) == 1:
        per_gal = liquids[0].density_lb_gal * chloride_fraction(liquids[0]).value
    solids = materials.loc[materials["kind"] == "solid", "material"]
    # what is named is in the season's use
    rows = use[use["material"].isin(solids) & (_named(assignments, use) == "")]
    tons = rows["applied_lb"] / POUNDS_PER_TON
    gallons = (tons * prewet_of_use(assignments, rows)).groupby(rows["route_id"], sort=True).sum()
    gallons = gallons[gallons > 0.0]
    return pd.DataFrame({"prewet_gal": gallons, "chloride_lb": gallons * per_gal}).reset_index()


def storm_loads(table: pd.DataFrame, scopes: Sequence[str] = ("area", WATERSHED)) -> pd.DataFrame:
    """The rows of single storms of the given scopes: scope_id, storm, chloride_lb, and its u."""
    rows = table[table["scope"].isin(scopes) & (table["storm"] != "")]
    return rows[["scope_id", "name", "storm", "chloride_lb", "chloride_u_lb"]]


def _named(assignments: pd.DataFrame, use: pd.DataFrame) -> pd.Series[str]:
    """The prewetting liquid that the assignments name, "" for none."""
    if "prewet_material" not in assignments:
        return pd.Series("", use.index, dtype=object)
    return of_use(assignments, use, "prewet_material").fillna("").astype(str)
