"""Tickets that were not weighed, gross errors, receivers that are stuck, mass without a place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.metrology import Z95
from spreadplan.reconcile.ratio_model import WRONG_SHARES, fit_ratios
from spreadplan.reconcile.tickets import METHOD_U, methods, storm_tickets
from spreadplan.reconcile.true_mass import mass_ratios
from spreadplan.reconcile.unplaced import unseen
from spreadplan.reconcile.use import stuck
from tests.reconcile.ticket_tables import load_tickets, reports, return_tickets

NO_RETURNS = return_tickets()


def season(nets: list[float], reported_lb: float, **columns: object) -> pd.DataFrame:
    """Ratios of a truck with one load a storm, each returned to the last pound."""
    names = [f"s{n}" for n in range(len(nets))]
    loads = load_tickets(*((name, "T1", 1, net) for name, net in zip(names, nets, strict=True)))
    told = reports(*((name, "T1", reported_lb) for name in names))
    back = return_tickets(*((name, "T1", 2, 0.0) for name in names))
    return mass_ratios(told, loads.assign(**columns), back, "s0", 5.0).iloc[0]


def test_counted_buckets_are_known_by_their_round_masses():
    loads = load_tickets(("a", "T1", 1, 4500.0), ("b", "T1", 1, 6000.0), ("a", "T2", 1, 4520.0))
    assert methods(loads).tolist() == ["scale"] * 3  # a stated division is a scale's
    bare = loads.drop(columns="scale_division_lb")
    assert methods(bare).tolist() == ["bucket_count", "bucket_count", "scale"]
    kilograms = bare.assign(net_lb=[2000.0 / 0.45359237, 1750.0 / 0.45359237, 4520.0])
    assert methods(kilograms).tolist() == ["bucket_count", "bucket_count", "scale"]
    said = methods(bare.assign(method=["loader_scale", "", "estimate"]))
    assert said.tolist() == ["loader_scale", "bucket_count", "estimate"]


def test_more_counted_loads_say_no_more_than_counting_does():
    """Twelve storms agree to the pound, but every bucket may be filled the same tenth too high."""
    weighed = season([9000.0] * 12, 10_000.0)
    counted = season([9000.0] * 12, 10_000.0, method="bucket_count")
    assert weighed["verdict"] == "reports too much"
    assert counted["verdict"] == "not shown"
    half = np.log(counted["season_hi"] / counted["season_lo"]) / 2.0
    common, _ = METHOD_U["bucket_count"]
    assert half > 0.6 * Z95 * common  # its fleet of one tells the rest
    assert "weigh some on a scale" not in str(weighed["advice"])
    assert np.isnan(counted["more_loads"])


def test_ticket_error_holds_the_methods_own_scatter():
    table = storm_tickets(
        reports(("a", "T1", 9000.0)),
        load_tickets(("a", "T1", 1, 9000.0)).assign(method="loader_scale"),
        NO_RETURNS,
    )
    assert table["ticket_u_lb"].item() == pytest.approx(np.hypot(0.015 * 9000.0, 20 / 6**0.5))
    assert table["method_u"].item() == pytest.approx(0.01)


def test_a_coarse_total_is_in_doubt_by_its_step():
    table = storm_tickets(
        reports(("a", "T1", 9000.0)).assign(step_lb=300.0),
        load_tickets(("a", "T1", 1, 9000.0)),
        NO_RETURNS,
    )
    assert table["ticket_u_lb"].item() == pytest.approx(np.hypot(300 / 6**0.5, 20 / 6**0.5))


def test_a_fleet_with_exchanged_tickets_believes_its_tickets_less():
    rng = np.random.default_rng(5)
    nets = 9000.0 * np.exp(rng.normal(0.0, 0.02, 40))
    shares = []
    for wrong in (0, 12):
        some = nets * np.where(np.arange(40) < wrong, 1.35, 1.0)
        tickets = storm_tickets(
            reports(*((f"s{n}", "T1", 9000.0) for n in range(40))),
            load_tickets(*((f"s{n}", "T1", 1, net) for n, net in enumerate(some))),
            return_tickets(*((f"s{n}", "T1", 2, 0.0) for n in range(40))),
        )
        none = np.zeros(0, dtype=np.intp)
        shares.append(fit_ratios(tickets, np.zeros(40, np.intp), 1, none).wrong_share)
    # 12 of 40 are; the shares tried are 2, 10 and 30 %
    assert shares[0] < 1.2 * min(WRONG_SHARES)
    assert shares[1] > 0.28


def test_agrees_only_where_the_interval_lies_within_the_tolerance():
    many, few = season([10_000.0] * 12, 10_000.0), season([10_000.0], 10_000.0)
    assert many["verdict"] == "agrees"
    assert 1.0 / 1.05 <= many["season_lo"] < 1.0 < many["season_hi"] <= 1.05
    assert few["verdict"] == "not shown"
    assert few["more_loads"] >= 1.0
    # an error that it would have found in 80 of 100 cases: (1.96 + 0.84) u
    u = np.log(1.0 + many["detectable_pct"] / 100.0) / (Z95 + 0.8416)
    assert many["season_hi"] / many["season_lo"] == pytest.approx(np.exp(2.0 * Z95 * u), rel=0.01)


def test_an_error_within_the_tolerance_accuses_nobody():
    found = season([10_150.0] * 12, 10_000.0)
    assert found["season_lo"] > 1.0
    assert found["verdict"] == "agrees"


def test_a_receiver_that_repeats_itself_while_the_truck_drives_is_stuck():
    time_s = np.arange(0.0, 120.0, 5.0)
    speed = np.full(time_s.size, 10.0)
    x = 10.0 * time_s
    x[4:14] = x[4]  # 50 s, 500 m
    found = stuck(time_s, x, np.zeros_like(x), speed)
    assert np.flatnonzero(found).tolist() == list(range(5, 14))
    assert not stuck(time_s, np.zeros_like(x), np.zeros_like(x), 0.0 * speed).any()  # it stands
    coarse = np.round(10.0 * time_s / 111.0) * 111.0  # three decimals of a degree
    assert not stuck(time_s, coarse, np.zeros_like(x), speed).any()


def test_mass_without_a_place_widens_only_what_lacks_passes():
    """Two rounds of two passes: a lacks one pass of 100 lb, b none; 60 lb have no place."""
    rows = pd.DataFrame({
        "route_id": "R1", "passes": [3.0, 4.0, 3.0], "applied_lb": [300.0, 400.0, 300.0],
        "planned_lb": 400.0, "rounds_planned": 2.0, "unplaced_lb": 60.0,
    })  # fmt: skip
    found = unseen(rows, pd.Series(2.0, rows.index))
    assert found["unseen_most_lb"].tolist() == [60.0, 0.0, 60.0]
    assert found["unseen_lb"].tolist() == [30.0, 0.0, 30.0]
    more = unseen(rows.assign(unplaced_lb=1000.0), pd.Series(2.0, rows.index))
    assert more["unseen_most_lb"].tolist() == more["unseen_lb"].tolist() == [100.0, 0.0, 100.0]


def test_a_return_that_was_counted_is_as_unsure_as_a_count():
    """A return says for itself how its mass was found; else it was found as the loads were."""
    loads = load_tickets(("a", "T1", 1, 9000.0)).assign(method="scale")
    back = return_tickets(("a", "T1", 2, 1000.0))
    table = reports(("a", "T1", 8000.0))
    weighed = storm_tickets(table, loads, back)["ticket_u_lb"].iloc[0]
    counted = storm_tickets(table, loads, back.assign(method="bucket_count"))["ticket_u_lb"].iloc[0]
    _, alone = METHOD_U["bucket_count"]
    assert counted == pytest.approx(np.hypot(weighed, alone * 1000.0))
    assert storm_tickets(table, loads, back.assign(method=""))["ticket_u_lb"].iloc[0] == weighed
