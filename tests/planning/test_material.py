import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spreadplan.metrology import coverage_factor
from spreadplan.planning.material import liquid_gal, mass_interval, row_intervals, summed_intervals
from tests.planning.small_county import NAN, county

COLUMNS = "run yard_id truck_id material gate_in mass_lb common_u_1 common_u_2 common_u_3 common_u_4 relative_run_u dof"  # noqa: E501


def rows(*values):
    return pd.DataFrame(values, columns=COLUMNS.split())


INF = float("inf")
TWO_TRUCKS = rows(
    (0, "Y", "T1", "salt", 2.0, 1000.0, 0.02, 0.01, 0.0, 0.01, 0.03, 8.0),
    (0, "Y", "T1", "salt", 2.0, 500.0, 0.02, -0.01, 0.0, 0.02, 0.03, 8.0),
    (1, "Y", "T1", "salt", 2.0, 800.0, 0.03, 0.0, 0.005, 0.01, 0.03, 8.0),
    (2, "Y", "T1", "salt", 3.0, 300.0, 0.05, 0.0, 0.0, 0.01, 0.04, 4.0),
    (3, "Y", "T2", "salt", NAN, 600.0, 0.2, 0.0, 0.0, 0.0, 0.0, INF),
)  # fmt: skip


def covariance_by_pairs(table):
    """Covariance of the masses, pair by pair, straight from what is common to whom."""
    n = len(table)
    held = np.zeros((n, n))
    for i, a in enumerate(table.itertuples()):
        for j, b in enumerate(table.itertuples()):
            model = (a.truck_id, a.material, str(a.gate_in))
            if model == (b.truck_id, b.material, str(b.gate_in)):
                common = sum(
                    getattr(a, f"common_u_{k}") * getattr(b, f"common_u_{k}") for k in (1, 2, 3, 4)
                )
                chance = a.relative_run_u * b.relative_run_u if a.run == b.run else 0.0
                held[i, j] = a.mass_lb * b.mass_lb * (common + chance)
    return held


def test_a_yard_adds_up_by_what_is_common():
    found = summed_intervals(TWO_TRUCKS, ["yard_id"]).loc["Y"]
    covariance = covariance_by_pairs(TWO_TRUCKS)
    u = np.sqrt(covariance.sum())
    # Welch-Satterthwaite over the independent parts: T1 at 2 in, T1 at 3 in, T2 (no limit)
    parts = [(covariance[:3, :3].sum(), 8.0), (covariance[3, 3], 4.0)]
    dof = u**4 / sum(variance**2 / nu for variance, nu in parts)
    half = stats.t.ppf(0.975, dof) * u
    assert found["mass_lb"] == 3200.0
    assert found["mass_hi_lb"] - 3200.0 == pytest.approx(half, rel=1e-12)
    assert 3200.0 - found["mass_lo_lb"] == pytest.approx(half, rel=1e-12)


def test_a_run_adds_up_by_what_is_common():
    found = summed_intervals(TWO_TRUCKS, ["run"])
    for run, group in TWO_TRUCKS.groupby("run"):
        u = np.sqrt(covariance_by_pairs(group).sum())
        factor = float(coverage_factor(group["dof"].to_numpy()[:1])[0])
        assert found.loc[run, "mass_hi_lb"] - group["mass_lb"].sum() == pytest.approx(factor * u)


def test_a_common_error_does_not_average_out():
    one = rows((0, "Y", "T1", "salt", 2.0, 1000.0, 0.05, 0.0, 0.0, 0.0, 0.0, INF))
    many = pd.concat([one.assign(run=run) for run in range(50)])
    half = summed_intervals(many, ["yard_id"])["mass_hi_lb"].iloc[0] / 50_000.0 - 1.0
    assert half == pytest.approx(1.959964 * 0.05, rel=1e-6)


def test_runs_and_trucks_do_average_out():
    chance = rows((0, "Y", "T1", "salt", 2.0, 1000.0, 0.0, 0.0, 0.0, 0.0, 0.05, INF))
    runs = pd.concat([chance.assign(run=run) for run in range(25)])
    by_run = summed_intervals(runs, ["yard_id"])["mass_hi_lb"].iloc[0] / 25_000.0 - 1.0
    assert by_run == pytest.approx(1.959964 * 0.05 / 5, rel=1e-6)
    common = rows((0, "Y", "T1", "salt", 2.0, 1000.0, 0.05, 0.0, 0.0, 0.0, 0.0, INF))
    trucks = pd.concat([common.assign(truck_id=f"T{n}", run=n) for n in range(25)])
    by_truck = summed_intervals(trucks, ["yard_id"])["mass_hi_lb"].iloc[0] / 25_000.0 - 1.0
    assert by_truck == pytest.approx(1.959964 * 0.05 / 5, rel=1e-6)


def test_rows_without_a_mass_are_left_out():
    with_gap = pd.concat([TWO_TRUCKS, TWO_TRUCKS.iloc[:1].assign(mass_lb=NAN)])
    pd.testing.assert_frame_equal(
        summed_intervals(with_gap, ["yard_id"]), summed_intervals(TWO_TRUCKS, ["yard_id"])
    )


def test_a_row_alone():
    found = row_intervals(TWO_TRUCKS.iloc[:1])
    u = 1000.0 * np.sqrt(0.02**2 + 0.01**2 + 0.01**2 + 0.03**2)
    assert found.hi_lb[0] == pytest.approx(1000.0 + stats.t.ppf(0.975, 8) * u)


def test_no_interval_reaches_below_nothing():
    found = mass_interval(np.array([10.0]), np.array([20.0]), np.array([INF]))
    assert found.lo_lb[0] == 0.0


def test_coverage_factors_are_students():
    dof = np.array([1.0, 4.5, 30.0, np.inf])
    assert coverage_factor(dof) == pytest.approx([*stats.t.ppf(0.975, dof[:3]), 1.959963984540054])


def test_liquid_has_a_volume_and_salt_has_none():
    held = pd.DataFrame({"material": ["brine", "salt", ""], "mass_lb": [98.0, 98.0, 98.0]})
    assert liquid_gal(held, county().materials) == pytest.approx([10.0, NAN, NAN], nan_ok=True)
