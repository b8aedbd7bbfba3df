"""Whether the rates of a plan were read in their source, or are from memory."""

from __future__ import annotations

import pandas as pd

from spreadplan.planning.plan import StormPlan
from spreadplan.planning.rates import is_from_memory
from spreadplan.remarks import Remark
from spreadplan.views.voice import Voice


def split_source(source: Remark | tuple[()], voice: Voice) -> tuple[str, bool]:
    """A rate's source in words, without saying that it is from memory; and whether it is."""
    if not isinstance(source, Remark):
        return "", False
    if not is_from_memory(source):
        return voice.say(source), False
    return voice.say(dict(source.values)["rate"]), True


def has_rate_from_memory(segments: pd.DataFrame) -> bool:
    """Whether any of these segments of a plan is treated at a rate from memory."""
    treated = segments.loc[segments["target_rate_lb_per_lane_mile"] > 0, "rate_source"]
    return any(is_from_memory(source) for source in set(treated))


def runs_from_memory(plan: StormPlan) -> set[tuple[str, str]]:
    """Application and route of the runs that have a rate from memory."""
    by_run = plan.segments.groupby(["application", "route_id"], sort=False)
    return {(str(run), str(route)) for (run, route), rows in by_run if has_rate_from_memory(rows)}
