"""When segments are treated, against what their class of winter service is promised.

*Late* is a part of a segment in an application by the larger of two: the minutes by which it is
treated after the application's start and the first pass promised, and the minutes by which the time
since its last treatment, as far as the event lasts, exceeds the cycle promised. A part that is not
to be treated in an application, or is not reached, has no time of treatment there.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.typing import NaTType

from spreadplan.planning.applications import Application, Moment
from spreadplan.planning.clock_tables import Clock
from spreadplan.schema.policy import Policy

Floats = NDArray[np.float64]


def promised(
    rows: Any,
    treated_min: Floats,
    starts_min: Floats,
    event_end_min: float,
    policy: Policy,
) -> pd.DataFrame:
    """Lateness and gap of every part in every application.

    Parameters
    ----------
    rows : in order of application, each with all parts in one order: service_class.
    treated_min : when each was treated, shape (rows,); NaN for never.
    starts_min : start of each row's application, shape (rows,).
    event_end_min : end of the event; infinite where that is not known.

    Returns
    -------
    DataFrame on the index of ``rows``: late_min (0 where in time, or nothing is promised; NaN
    where not treated) and gap_min (time since the last treatment of the same part, NaN for the
    first).
    """
    since = _last_treated(rows, treated_min)
    gap = treated_min - since
    class_of, names = pd.factorize(rows["service_class"])
    services = [policy.service(str(name)) for name in names]
    first = np.array([one.first_pass_min for one in services])[class_of]
    cycle = np.array([one.cycle_min for one in services])[class_of]
    while_it_lasts = np.minimum(treated_min, event_end_min) - since
    late = np.fmax(treated_min - starts_min - first, while_it_lasts - cycle)
    late = np.where(np.isnan(treated_min), np.nan, np.fmax(late, 0.0))
    return pd.DataFrame({"late_min": late, "gap_min": gap}, index=rows.index)


def _last_treated(rows: Any, treated_min: Floats) -> Floats:
    """When the part of each row was treated before, in any application before; NaN for never."""
    rounds = rows["application"].nunique()
    if not rounds:
        return np.zeros(0)
    by_round = treated_min.reshape(rounds, -1)
    since = np.full(by_round.shape, np.nan)
    for place in range(1, rounds):
        since[place] = np.fmax(since[place - 1], by_round[place - 1])
    return since.reshape(-1)


def event_end_min(clock: Clock, event_end: Moment) -> float:
    """The end of the event in minutes of the clock; infinite where it is not known."""
    return np.inf if isinstance(event_end, NaTType) else clock.minutes(event_end)


def with_times(
    rows: Any,
    routes: pd.DataFrame,
    clock: Clock,
    applications: Sequence[Application],
    event_end: Moment,
    policy: Policy,
) -> tuple[Any, pd.DataFrame]:
    """Rows with treated_at, late_min and gap_min; runs with starts_at, ends_at, late_min, gap_min.

    Parameters
    ----------
    rows : as the plan has them; what was ``made`` before is late no more.
    routes : runs, index run.
    event_end : end of the forecast, NaT where there is none.

    Returns
    -------
    Both with the columns added. A run starts when its truck begins to spread and ends when it has
    spread for the last time. Lateness is NaN for a run of which nothing is treated.
    """
    starts = {one.label: clock.minutes(one.start) for one in applications}
    end = event_end_min(clock, event_end)
    at = rows["application"].map(starts).to_numpy(dtype=float)
    found = promised(rows, clock.treated_min, at, end, policy)
    found.loc[rows["made"].to_numpy(dtype=bool)] = np.nan
    moments = clock.moments(clock.treated_min).set_axis(rows.index).dt.as_unit("ns")
    rows = rows.assign(treated_at=moments, **found)
    spread = clock.table[clock.table["activity"] == "spread"]
    times = spread.groupby(["application", "route_id"]).agg(
        starts_at=("start", "min"), ends_at=("end", "max")
    )
    # one unit of time, whatever the clock's moments came in
    for name in ("starts_at", "ends_at"):
        times[name] = pd.to_datetime(times[name], utc=True).dt.as_unit("ns")
    worst = rows.groupby("run", sort=True)[["late_min", "gap_min"]].max()
    routes = routes.join(times, on=["application", "route_id"]).join(worst)
    return rows, routes
