"""What drives the intervals of a plan: the sample county's trucks, one input at a time.

Run: ``python tests/benchmarks/sensitivity_plan.py [STORM]``

First table: each reading is moved by a small part of its standard uncertainty, the model is fitted
again, and the mass of the route is worked out anew with the settings left as they are. The squares
of these changes, with the variance factor of the fit, are the parts of the variance behind mass_lo
to mass_hi (numerical partial derivatives: JCGM 100:2008, 5.1.3 and 5.1.4). They are not taken from
the uncertainty budget of the certificate, so they need not add up to the variance that the plan
has; the column "sum" says how nearly they do.

Second table: an input or an assumption is changed as a whole, everything is computed again, and the
width of the interval relative to the mass is given as a multiple of what it was.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))
from spreadplan.calibration import Calibration
from spreadplan.calibration.assumptions import STARTUP_U_PCT
from spreadplan.calibration.counts import fit_counts
from spreadplan.calibration.curve import fit_curve, is_dry
from spreadplan.calibration.fit import FloatArray
from spreadplan.calibration.models import DischargeModel
from spreadplan.calibration.pooling import ASSUMED
from spreadplan.calibration.tests import COUNT_U
from spreadplan.metrology import coverage_factor
from spreadplan.planning import StormPlan, plan_storm
from spreadplan.remembered import forget
from spreadplan.resources import resource
from spreadplan.runs.calibrating import calibrate_fleet
from spreadplan.runs.planning import plan_inputs, planning_workspace, storm_start
from spreadplan.workspace import Workspace

STORM = "2026-12-31-year-end-snow"
SMALL = 1e-3
"""Part of a standard uncertainty by which a reading is moved: small, so that no form flips."""

SOURCES = (
    "scale",
    "containers",
    "timing",
    "counts",
    "run to run, tests",
    "start-up and form",
    "day to day",
    "run to run, this storm",
)


@dataclass(frozen=True)
class Planned:
    """A plan with what it was made from."""

    calibration: Calibration
    plan: StormPlan


def planned(workspace: Workspace, storm: str) -> Planned:
    """Calibrate for the start of a storm, and plan it."""
    fleet = calibrate_fleet(workspace, storm_start(workspace, storm))
    return Planned(fleet, plan_storm(plan_inputs(workspace, storm, fleet, "middle")))


# --- parts of the variance -----------------------------------------------------------------------


def parts_of_variance(done: Planned, application: str, route: str) -> dict[str, float]:
    """Variance of a route's mass by source, as a share of the variance that the plan has.

    Only for routes whose truck has a model. The shares need not sum to one.
    """
    rows = done.plan.segments
    rows = rows[(rows["application"] == application) & (rows["route_id"] == route)]
    rows = rows[rows["mass_lb"] > 0]
    first = rows.iloc[0]
    model = done.calibration.models[first["truck_id"], first["material"], first["gate_in"]]
    whole = done.plan.routes.set_index(["application", "route_id"]).loc[(application, route)]
    half = (whole["mass_hi_lb"] - whole["mass_lo_lb"]) / 2.0
    variance = float(half / coverage_factor(model.relative_dof)) ** 2
    parts = _of_counts(model, done, rows) if model.counts else _of_curve(model, done, rows)
    mass_lb = rows["mass_lb"].to_numpy(dtype=float)
    held = model.counts or model.curve
    parts["day to day"] = (held.day_u**2 + model.day_sd**2) * mass_lb.sum() ** 2
    if model.counts is None:
        feeder = rows["feeder_pct"].to_numpy(dtype=float)
        level = model.curve.form_u(feeder) / model.curve.discharge(feeder)
        both = mass_lb @ np.hypot(level, model.day_sd)
        parts["day to day"] = (held.day_u * mass_lb.sum()) ** 2 + both**2
    parts["run to run, this storm"] = (model.repeatability * rows["mass_lb"].sum()) ** 2
    return {name: float(parts.get(name, 0.0)) / variance for name in SOURCES}


def _tests(model: DischargeModel, done: Planned) -> pd.DataFrame:
    return done.calibration.tests.set_index("test_id").loc[list(model.test_ids)]


def _moved(
    u: FloatArray, mass_with: Callable[[FloatArray], float], mass: float, scale: float
) -> float:
    """Sum of squared effects on the mass of moving each reading by its uncertainty."""
    effects = []
    for place, size in enumerate(u):
        shift = np.zeros(len(u))
        shift[place] = SMALL * size
        effects.append((mass_with(shift) - mass) / SMALL)
    return float(scale * np.sum(np.square(effects)))


def _of_curve(model: DischargeModel, done: Planned, rows: pd.DataFrame) -> dict[str, float]:
    tests = _tests(model, done)
    column = {name: tests[name].to_numpy(dtype=float) for name in tests.select_dtypes("number")}
    read, u = column["discharge_lb_per_min"], column["discharge_u_lb_per_min"]
    output = column["feeder_pct"]
    wet = ~is_dry(output, read, u)
    feeder, planned_lb = rows["feeder_pct"].to_numpy(), rows["mass_lb"].to_numpy()
    usual = model.curve.discharge(feeder)

    def mass_with(shift: FloatArray) -> float:
        curve = fit_curve(output, read + shift, u, model.curve.usual)
        assert curve is not None
        assert curve.kind == model.kind
        return float(np.sum(planned_lb * curve.discharge(feeder) / usual))

    mass, scale = float(planned_lb.sum()), model.curve.scale
    fitted = model.curve.discharge(output)
    sources = {
        "scale": column["u_scale_lb_per_min"],
        "containers": column["u_fill_lb_per_min"],
        "timing": column["u_timing_lb_per_min"],
        "run to run, tests": model.curve.usual.relative * fitted,
    }
    parts = {
        name: _moved(np.where(wet, size, 0.0), mass_with, mass, scale)
        for name, size in sources.items()
    }
    if not np.isnan(model.curve.startup_pct):
        parts["start-up and form"] = _form(model, feeder, planned_lb, usual, sum(parts.values()))
    return parts


def _form(
    model: DischargeModel, feeder: FloatArray, mass_lb: FloatArray, usual: FloatArray, told: float
) -> float:
    """What a start-up that no test shows adds: the curve's variance less what the tests tell.

    No file holds that start-up, so it cannot be moved like a reading.
    """
    change = (mass_lb / usual) @ model.curve.gradient(feeder)
    day = (model.curve.day_u * float(mass_lb.sum())) ** 2
    return max(0.0, float(change @ model.covariance @ change) - told - day)


def _of_counts(model: DischargeModel, done: Planned, rows: pd.DataFrame) -> dict[str, float]:
    assert model.counts is not None
    held = model.counts
    tests = _tests(model, done)
    tests = tests[(tests["sensor_counts"] > 0) & (tests["net_lb"] > 0)]
    column = {name: tests[name].to_numpy(dtype=float) for name in tests.select_dtypes("number")}
    net, counts, u = column["net_lb"], column["sensor_counts"], column["lb_per_count_u"]
    minutes = column["duration_s"] / 60.0
    mass = float(rows["mass_lb"].sum())

    def held_with(more_lb: FloatArray, more_counts: FloatArray) -> float:
        fit = fit_counts(column["feeder_pct"], net + more_lb, counts + more_counts, u, held.usual)
        assert fit is not None
        return mass * fit.lb_per_count / held.lb_per_count

    def in_lb(shift: FloatArray) -> float:
        return held_with(shift, np.zeros(len(shift)))

    def in_counts(shift: FloatArray) -> float:
        return held_with(np.zeros(len(shift)), shift)

    # the fit of the mean has its own variance factor; that of a line in output belongs to the line
    mean_scale = _mean_scale(model, column)
    parts = {
        "scale": _moved(column["u_scale_lb_per_min"] * minutes, in_lb, mass, mean_scale),
        "containers": _moved(column["u_fill_lb_per_min"] * minutes, in_lb, mass, mean_scale),
        "counts": _moved(np.full(len(net), COUNT_U), in_counts, mass, mean_scale),
        "run to run, tests": _moved(
            held.usual.relative * held.lb_per_count * counts, in_lb, mass, mean_scale
        ),
    }
    if held.trend is not None:
        whole = rows["mass_lb"].to_numpy() @ held.relative_u(rows["feeder_pct"].to_numpy())
        told = sum(parts.values()) + (held.day_u * mass) ** 2
        parts["start-up and form"] = max(0.0, float(whole) ** 2 - told)
    return parts


def _mean_scale(model: DischargeModel, column: Mapping[str, FloatArray]) -> float:
    """Variance factor of the mean mass per count."""
    held = model.counts
    assert held is not None
    if held.trend is None:
        return held.scale
    read = column["net_lb"] / column["sensor_counts"]
    sd = np.hypot(column["lb_per_count_u"], held.usual.relative * held.lb_per_count)
    squares = np.sum(((read - held.lb_per_count) / sd) ** 2)
    return float((held.usual.dof + squares) / (held.usual.dof + len(read) - 1))


# --- changes as a whole --------------------------------------------------------------------------


@contextmanager
def assumed(**values: float) -> Iterator[None]:
    """Other values for the assumptions of calibration, wherever they were imported."""
    with ExitStack() as stack:
        for module in list(sys.modules.values()):
            if getattr(module, "__name__", "").startswith("spreadplan.calibration"):
                for name, value in values.items():
                    if hasattr(module, name):
                        stack.enter_context(patch.object(module, name, value))
        stack.callback(forget)  # nothing of these assumptions is left over
        forget()
        yield


@contextmanager
def usual_scatter(relative: float) -> Iterator[None]:
    """Another figure for the run-to-run scatter that is assumed where nothing is known."""
    former = ASSUMED.relative
    object.__setattr__(ASSUMED, "relative", relative)
    try:
        with assumed(REPEATABILITY_REL=relative):
            yield
    finally:
        object.__setattr__(ASSUMED, "relative", former)


def with_tables(workspace: Workspace, **tables: pd.DataFrame) -> Workspace:
    """The workspace with other tables."""
    return replace(workspace, tables={**workspace.tables, **tables})


def every_test_twice(workspace: Workspace) -> Workspace:
    """As many readings again, and the same ones."""
    return with_tables(
        workspace,
        **{
            name: pd.concat(
                [frame, frame.assign(test_id=frame["test_id"] + " again")], ignore_index=True
            )
            for name, frame in workspace.tables.items()
            if name in ("discharge_tests", "weighings")
        },
    )


def finer_scales(workspace: Workspace, factor: float) -> Workspace:
    """Scales with divisions this many times as coarse."""
    weighings = workspace.table("weighings")
    division = weighings["scale_division_lb"] * factor
    return with_tables(workspace, weighings=weighings.assign(scale_division_lb=division))


def timed_by(workspace: Workspace, seconds: float) -> Workspace:
    """Runs timed with another standard uncertainty."""
    tests = workspace.table("discharge_tests")
    return with_tables(workspace, discharge_tests=tests.assign(duration_u_s=seconds))


def without_gates(workspace: Workspace, done: Planned) -> Workspace:
    """Without the tests of every gate that the plan uses, where the truck has another one."""
    tests = workspace.table("discharge_tests")
    used = set(done.plan.segments[["truck_id", "gate_in"]].dropna().itertuples(index=False))
    keys = list(zip(tests["truck_id"], tests["gate_in"], strict=True))
    voided = tests["voided_by"].where([key not in used for key in keys], "another gate")
    return with_tables(workspace, discharge_tests=tests.assign(voided_by=voided))


def faster(workspace: Workspace, factor: float) -> Workspace:
    """Another spreading speed: other outputs, and perhaps beyond the tested ones."""
    routes = workspace.table("routes")
    return with_tables(workspace, routes=routes.assign(speed_mph=routes["speed_mph"] * factor))


def more_lanes(workspace: Workspace, factor: float) -> Workspace:
    """Other lane-miles at the same needs: as many more lanes, and as many more passes."""
    routes = workspace.table("routes")
    lanes, passes = routes["lanes"] * factor, routes["passes"] * factor
    return with_tables(workspace, routes=routes.assign(lanes=lanes, passes=passes))


def relative_widths(done: Planned) -> pd.Series:
    """Half width of each route's interval in percent of its mass, in the first application."""
    routes = done.plan.routes
    routes = routes[routes["application"] == routes["application"].iloc[0]].set_index("route_id")
    return 50.0 * (routes["mass_hi_lb"] - routes["mass_lo_lb"]) / routes["mass_lb"]


def changes(workspace: Workspace, storm: str, base: Planned) -> dict[str, pd.Series]:
    """Relative widths of all routes after each change, by its name."""
    other = {
        "divisions half as large": finer_scales(workspace, 0.5),
        "divisions twice as large": finer_scales(workspace, 2.0),
        "timed to 0.1 s": timed_by(workspace, 0.1),
        "timed to 1 s": timed_by(workspace, 1.0),
        "every test twice": every_test_twice(workspace),
        "another gate": without_gates(workspace, base),
        "20 % faster": faster(workspace, 1.2),
        "twice the lanes and passes": more_lanes(workspace, 2.0),
    }
    widths = {name: relative_widths(planned(each, storm)) for name, each in other.items()}
    for relative in (0.02, 0.045):
        with usual_scatter(relative):
            name = f"{100 * relative:g} % assumed run to run"
            widths[name] = relative_widths(planned(workspace, storm))
    with assumed(STARTUP_U_PCT=STARTUP_U_PCT / 2.0):
        widths["start-up doubt halved"] = relative_widths(planned(workspace, storm))
    with assumed(COUNT_U=2.0 * COUNT_U):
        widths["counts read half as well"] = relative_widths(planned(workspace, storm))
    return widths


def table(rows: list[list[str]]) -> str:
    """Rows as a Markdown table; the first one is its head."""
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([lines[0], "| " + " | ".join("---" for _ in rows[0]) + " |", *lines[1:]])


def print_parts(done: Planned) -> None:
    """The first table."""
    widths = relative_widths(done)
    label = done.plan.routes["application"].iloc[0]
    rows = [["truck", "route", "gate", "curve", "± %", *SOURCES, "sum"]]
    for route in done.plan.routes[done.plan.routes["application"] == label].itertuples():
        key = (route.truck_id, route.material, route.gate_in)
        head = [route.truck_id, route.route_id, f"{route.gate_in:g}"]
        model = done.calibration.models.get(key)
        width = f"{widths[route.route_id]:.1f}"
        if model is None:
            rows.append([*head, "no test", width, *["" for _ in SOURCES], "all assumed"])
            continue
        parts = parts_of_variance(done, label, route.route_id)
        cells = [f"{share:.2f}" if share >= 0.005 else "" for share in parts.values()]
        kind = f"{model.count_kind} count" if model.counts else model.kind
        rows.append([*head, kind, width, *cells, f"{sum(parts.values()):.3f}"])
    print(table(rows))


def print_changes(done: Planned, widths: Mapping[str, pd.Series]) -> None:
    """The second table."""
    base = relative_widths(done)
    label = done.plan.routes["application"].iloc[0]
    routes = done.plan.routes[done.plan.routes["application"] == label]
    rows = [["change", *(f"{r.truck_id} {r.route_id}" for r in routes.itertuples())]]
    rows.append(["± % of the mass as it is", *(f"{base[name]:.1f}" for name in routes["route_id"])])
    for change, found in widths.items():
        ratio = found / base
        rows.append([change, *(f"× {ratio[name]:.2f}" for name in routes["route_id"])])
    print(table(rows))


def main() -> None:
    """Print both tables for a storm of the sample county."""
    storm = sys.argv[1] if len(sys.argv) > 1 else STORM
    workspace = planning_workspace(resource("sample_routes") / "county", storm)
    base = planned(workspace, storm)
    print_parts(base)
    print()
    print_changes(base, changes(workspace, storm, base))


if __name__ == "__main__":
    main()
