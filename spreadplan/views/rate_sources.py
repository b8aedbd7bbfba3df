"""Whether the rates of a plan were read in their source, or are from memory."""

from __future__ import annotations

import pandas as pd

from spreadplan.planning.plan import StormPlan
from spreadplan.planning.rates import UNCHECKED, is_from_memory


def split_source(source: str) -> tuple[str, bool]:
    """A rate's source as the plan has it, without the remark that it is from memory; and whether
    it is.
    """
    return source.removesuffix(UNCHECKED), is_from_memory(source)


def has_rate_from_memory(segments: pd.DataFrame) -> bool:
    """Whether any of these segments of a plan is treated at a rate from memory."""
    treated = segments.loc[segments["target_rate_lb_per_lane_mile"] > 0, "rate_source"]
    return any(is_from_memory(str(source)) for source in treated.unique())


def runs_from_memory(plan: StormPlan) -> set[tuple[str, str]]:
    """Application and route of the runs that have a rate from memory."""
    by_run = plan.segments.groupby(["application", "route_id"], sort=False)
    return {(str(run), str(route)) for (run, route), rows in by_run if has_rate_from_memory(rows)}
