"""The season as a whole: every table that its reports need, from the storms so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import pandas as pd

from spreadplan.frames import lines
from spreadplan.materials import is_salt
from spreadplan.reconcile.verdicts import MORE_ROUNDS
from spreadplan.remarks import Finding, findings_table, remark
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.season import budgets, chloride, overuse, water
from spreadplan.season.budgets import Season
from spreadplan.season.savings import savings
from spreadplan.season.severity import fair_comparison, severity_table
from spreadplan.season.use import PLANNED, StormOfSeason, season_use
from spreadplan.units import POUNDS_PER_TON


@dataclass(frozen=True, eq=False, kw_only=True)
class SeasonInputs:
    """What a season is worked out from; tables have the columns and units of the schema.

    storms : those of the season, in any order. calibrations : discharge tests of each storm as
    judged at its start (`Calibration.tests`). planned : the plans of the measured storms, one after
    the other: storm, then the plan's columns with area_id; None without.
    """

    season: Season
    storms: Sequence[StormOfSeason]
    routes: gpd.GeoDataFrame
    assignments: pd.DataFrame
    materials: pd.DataFrame
    budgets: pd.DataFrame
    policy: Policy
    sensitive_areas: gpd.GeoDataFrame | None = None
    calibrations: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    planned: pd.DataFrame | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class SeasonAccounts:
    """The season.

    Attributes
    ----------
    season : its name, dates and the date up to which storms are known.
    use : every storm, segment and truck, see `use.season_use`.
    budget : see `budgets.budget_table`.
    by_storm, by_route, by_yard, by_truck, by_route_and_storm : see `budgets.storm_table`.
    burn_down : by material, see `forecast.burn_down`.
    severity : see `severity.severity_table`.
    fair_routes, fair_storms : see `severity.fair_comparison`.
    chloride : see `chloride.chloride_table`. chloride_basis : material, fraction, fraction_u,
        basis. without_chloride : materials in use whose chloride is not known. prewet_chloride :
        see `chloride.prewet_chloride_lb`; not part of the chloride table.
    screening, season_concentration : see `water`.
    evidence, repeated : see `overuse`.
    savings : see `savings.savings`.
    findings : see `remarks.findings_table`; the most important first.
    """

    season: Season
    use: pd.DataFrame
    budget: pd.DataFrame
    by_storm: pd.DataFrame
    by_route: pd.DataFrame
    by_yard: pd.DataFrame
    by_truck: pd.DataFrame
    by_route_and_storm: pd.DataFrame
    burn_down: Mapping[str, pd.DataFrame]
    severity: pd.DataFrame
    fair_routes: pd.DataFrame
    fair_storms: pd.DataFrame
    chloride: pd.DataFrame
    chloride_basis: pd.DataFrame
    without_chloride: pd.DataFrame
    prewet_chloride: pd.DataFrame
    screening: pd.DataFrame
    season_concentration: pd.DataFrame
    evidence: pd.DataFrame
    repeated: pd.DataFrame
    savings: pd.DataFrame
    findings: pd.DataFrame


def work_out_season(inputs: SeasonInputs) -> SeasonAccounts:
    """Budgets, forecast, fair comparison, chloride, over-application and savings of a season.

    Parameters
    ----------
    inputs : the season's storms and the workspace's tables, in the package's fixed units.

    Returns
    -------
    SeasonAccounts.
    """
    season, storms, materials = inputs.season, inputs.storms, inputs.materials
    areas, confidence = inputs.sensitive_areas, inputs.policy.confidence
    use = season_use(storms, inputs.assignments, materials)
    budget = budgets.budget_table(use, inputs.budgets, materials, season)
    zones = inputs.routes.set_index(["route_id", "segment_id"])["zone"]
    shares = chloride.area_shares(inputs.routes, areas, inputs.policy, inputs.planned)
    fractions = chloride.fractions(materials)
    table = chloride.chloride_table(use, materials, shares, areas, season.name, confidence)
    waters = _no_waters() if areas is None else pd.DataFrame(areas.drop(columns="geometry"))
    screening = water.screening_table(chloride.storm_loads(table), waters, storms)
    evidence = overuse.evidence(storms, inputs.calibrations, shares, confidence)
    unknown = chloride.without_chloride(use, fractions)
    by = {
        name: budgets.storm_table(use, materials, columns)
        for name, columns in (
            ("by_storm", ["storm"]),
            ("by_route", ["route_id"]),
            ("by_yard", ["yard_id"]),
            ("by_truck", ["truck_id"]),
            ("by_route_and_storm", ["route_id", "storm"]),
        )
    }
    basis = [(name, one.value, one.u, one.basis) for name, one in fractions.items()]
    return SeasonAccounts(
        season=season,
        use=use,
        budget=budget,
        **by,
        burn_down={
            str(name): budgets.material_burn_down(use, str(name), season)
            for name in sorted(use["material"].unique())
        },
        severity=severity_table(storms),
        fair_routes=_guided(
            fair_comparison(use, storms, zones, ["route_id", "material"]), materials
        ),
        fair_storms=_guided(fair_comparison(use, storms, zones, ["storm", "material"]), materials),
        chloride=table,
        chloride_basis=pd.DataFrame(basis, columns=RESULTS["chloride_basis"].names),
        without_chloride=unknown,
        prewet_chloride=chloride.prewet_chloride_lb(use, inputs.assignments, materials),
        screening=screening,
        season_concentration=water.season_concentration(table, waters, season.start, season.as_of),
        evidence=evidence,
        repeated=overuse.repeat_offences(storms, use, confidence),
        savings=savings(
            use, _judged(storms), inputs.planned, shares, inputs.assignments, materials
        ),
        findings=findings_table(_findings(storms, budget, table, screening, evidence, unknown)),
    )


def _guided(fair: pd.DataFrame, materials: pd.DataFrame) -> pd.DataFrame:
    """Use against the published table for salt alone: a ton of sand mix is no ton of salt."""
    salts = {str(one.material) for one in lines(materials) if is_salt(one)}
    share = fair["guidance_share"].where(fair["material"].isin(salts))
    return fair.assign(guidance_share=share)


def _no_waters() -> pd.DataFrame:
    text, number = pd.Series([], dtype="object"), pd.Series([], dtype="float64")
    flows = dict.fromkeys(("mean_flow_cfs", "low_flow_cfs", "background_mg_l"), number)
    return pd.DataFrame({"area_id": text, "name": text, **flows})


def _judged(storms: Sequence[StormOfSeason]) -> pd.DataFrame:
    frames = [one.segments.assign(storm=one.storm) for one in storms]
    columns = ["storm", "route_id", "segment_id", "material", "allowed_lb"]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


def _findings(
    storms: Sequence[StormOfSeason],
    budget: pd.DataFrame,
    table: pd.DataFrame,
    screening: pd.DataFrame,
    evidence: pd.DataFrame,
    unknown: pd.DataFrame,
) -> list[Finding]:
    found = _budget_findings(budget) + _area_findings(table) + water.screening_findings(screening)
    count = overuse.support(evidence)
    if count.listed:
        found.append(
            Finding(
                "caution" if count.supported else "note",
                remark("of_over_application"),
                remark("above_their_limit", listed=count.listed, supported=count.supported),
                (remark("act_on_those"),),
            )
        )
    if count.more_rounds:
        found.append(
            Finding(
                "note",
                remark("of_rounds"),
                remark("had_more_rounds", segments=count.more_rounds, what=MORE_ROUNDS),
                (remark("too_few_rounds"),),
            )
        )
    for row in lines(unknown):
        found.append(
            Finding(
                "caution",
                remark("of_material", material=row.material),
                remark("chloride_unknown", used_lb=POUNDS_PER_TON * row.used_ton),
                (remark("state_chloride"),),
            )
        )
    planned = [remark("one_storm", storm=one.storm) for one in storms if one.source == PLANNED]
    if planned:
        found.append(
            Finding(
                "note",
                remark("of_storms"),
                remark("counted_as_planned", storms=planned),
                (remark("add_telemetry"),),
            )
        )
    return found


def _budget_findings(budget: pd.DataFrame) -> list[Finding]:
    found = []
    for row in lines(budget):
        scope = f"{row.scope} {row.scope_id}".removesuffix(" *").strip()
        subject = remark("of_budget", scope=scope, material=row.material)
        used, whole, most = (
            POUNDS_PER_TON * tons for tons in (row.used_ton, row.budget_ton, row.forecast_hi_ton)
        )
        if row.verdict == "over":
            found.append(
                Finding(
                    "problem",
                    subject,
                    remark("overspent", used_lb=used, budget_lb=whole),
                    (remark("move_budget"),),
                )
            )
        elif row.verdict == "likely to run out":
            what = remark(
                "likely_to_run_out",
                used_lb=used,
                budget_lb=whole,
                chance_pct=100.0 * row.p_over_season,
            )
            found.append(Finding("caution", subject, what, (remark("plan_for", most_lb=most),)))
    return found


def _area_findings(table: pd.DataFrame) -> list[Finding]:
    found = []
    for row in lines(table[table["verdict"].isin(["over", "probably_over"])]):
        sure = row.verdict == "over"
        found.append(
            Finding(
                "problem" if sure else "caution",
                remark("of_area", area=f"{row.scope_id} {row.name}".strip()),
                remark(
                    "chloride_over_limit",
                    chloride_lb=row.chloride_lb,
                    limit_lb=row.limit_lb,
                    chance_pct=100.0 * row.p_over,
                ),
                (remark("lower_the_rate_there"),),
            )
        )
    return found
