"""Trucks that tell no more than what they were set to: worked out on paper, and odd columns."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan import runs
from spreadplan.reconcile.set_rates import BY_SET_RATE
from spreadplan.runs.options import Options
from spreadplan.runs.reconciling import Reconciled
from tests.reconcile import three_segments

pytestmark = pytest.mark.slow

#: miles driven while spreading on each segment, and lane-miles on its two lanes
LANE_MILES = {"A": 2 * 0.48, "B": 2 * 0.25, "C": 2 * 0.47}
Run = Callable[..., Reconciled]


def told(**columns: object) -> pd.DataFrame:
    """The truck's records with these columns in place of its running total."""
    return three_segments.records().drop(columns="feed_total_lb").assign(**columns)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Reconcile the storm of three segments with these telemetry files and other changes."""
    said: list[str] = []

    def reconciled(telemetry: dict[str, pd.DataFrame], **changes: str) -> Reconciled:
        content = three_segments.files() | changes
        for name, table in telemetry.items():
            content[f"storms/s1/telemetry/{name}"] = table.to_csv(index=False)
        folder = three_segments.write(tmp_path / str(len(list(tmp_path.iterdir()))), content)
        quiet = Options(lambda text: None, said.append, runs.no_progress)
        return runs.compute_use(folder, "s1", quiet)

    return reconciled


def by_segment(result: Reconciled) -> dict[str, float]:
    found: dict[str, float] = (
        result.use.segments.groupby("segment_id")["reported_lb"].sum().to_dict()
    )
    return found


@pytest.mark.parametrize(
    ("column", "rate"),
    [
        ("set_rate_lb_per_lane_mile", 200.0),
        ("set_rate_lb_per_two_lane_mile", 400.0),
        ("set_rate_kg_per_lane_km", 200.0 * 0.45359237 / 1.609344),
        ("set_rate_g_per_m2", 200.0 * 453.59237 / (1609.344 * 12 * 0.3048)),
    ],
)
def test_a_set_rate_is_that_times_the_lane_miles(run: Run, column: str, rate: float):
    result = run({"t.csv": told(**{column: rate})})
    found = by_segment(result)
    for segment, lane_miles in LANE_MILES.items():
        assert found[segment] == pytest.approx(200.0 * lane_miles, rel=0.01)
    assert sum(found.values()) == pytest.approx(200.0 * sum(LANE_MILES.values()), rel=1e-3)
    assert result.put_right[BY_SET_RATE] == len(told()) - 3  # two stood still, one came first
    assert result.use.trucks["set_rate"].tolist() == [True]


def test_gallons_of_a_liquid_weigh_what_the_liquid_weighs(run: Run):
    brine = {
        "materials.csv": "material,kind,cost_per_ton,density_lb_gal\nsalt,solid,80,\n"
        "brine,liquid,,9.8\n",
    }
    records = told(set_rate_l_per_lane_km=40.0 * 3.785411784 / 1.609344, material="brine")
    result = run({"t.csv": records}, **brine)
    whole = 40.0 * 9.8 * sum(LANE_MILES.values())
    assert sum(by_segment(result).values()) == pytest.approx(whole, rel=1e-3)
    # of a solid nobody can say what a gallon weighs
    unknown = run({"t.csv": records.assign(material="salt")}, **brine)
    assert sum(by_segment(unknown).values()) == 0.0
    assert unknown.use.trucks["known_share"].iloc[0] < 0.2


def test_a_rate_holds_until_another_is_set_and_while_the_spreader_is_on(run: Run):
    rates = np.full(len(told()), np.nan)
    rates[0], rates[10] = 100.0, 300.0
    result = run({"t.csv": told(set_rate_lb_per_lane_mile=rates)})
    # 9 intervals at 100, one halfway, 10 and 4 at 300, of 0.05 mi and two lanes
    assert sum(by_segment(result).values()) == pytest.approx(
        0.1 * (9 * 100 + 200 + 14 * 300), rel=1e-3
    )
    off = told(set_rate_lb_per_lane_mile=200.0, spreading=0)
    assert sum(by_segment(run({"t.csv": off})).values()) == 0.0


def test_the_set_rate_of_the_liquid_stands_in_where_no_total_tells(run: Run):
    records = three_segments.records()
    lane_miles = sum(LANE_MILES.values())
    found = run({"t.csv": records.assign(liquid_rate_gal_per_lane_mile=10.0)})
    assert found.use.trucks["prewet_gal"].tolist() == pytest.approx([10.0 * lane_miles], rel=0.01)
    both = records.assign(liquid_rate_gal_per_lane_mile=10.0, liquid_total_gal=0.0)
    assert run({"t.csv": both}).use.trucks["prewet_gal"].tolist() == [0.0]
    none = run({"t.csv": records}).use.trucks["prewet_gal"]
    assert none.isna().all()


def test_a_rate_on_another_basis_ends_the_one_before(run: Run):
    records = told()
    first = records.iloc[:11].assign(set_rate_lb_per_lane_mile=200.0)
    per_area = 300.0 * 453.59237 / (1609.344 * 12 * 0.3048)
    second = records.iloc[11:].assign(set_rate_g_per_m2=per_area)
    found = run({"a.csv": first, "b.csv": second})
    # 10 intervals at 200, one between the two, of which nobody knows, 9 and 4 at 300
    assert sum(by_segment(found).values()) == pytest.approx(0.1 * (10 * 200 + 13 * 300), rel=1e-3)


def test_over_a_silence_nothing_is_made_up(run: Run):
    records = told(set_rate_lb_per_lane_mile=200.0)
    records["time"] = pd.to_datetime(records["time"]) + pd.to_timedelta(
        np.where(np.arange(len(records)) >= 12, 600.0, 0.0), unit="s"
    )
    result = run({"t.csv": records})
    whole = 200.0 * sum(LANE_MILES.values())
    assert sum(by_segment(result).values()) == pytest.approx(whole - 20.0, rel=1e-3)
    assert result.use.trucks["known_share"].iloc[0] < 1.0


def test_a_measured_total_goes_before_a_set_rate(run: Run):
    plain = three_segments.records()
    result = run({"t.csv": plain.assign(set_rate_lb_per_lane_mile=900.0)})
    assert by_segment(result) == by_segment(run({"t.csv": plain}))
    assert result.use.trucks["set_rate"].tolist() == [False]
    assert BY_SET_RATE not in result.put_right


def test_the_lanes_of_a_pass_count_and_not_those_of_the_road(run: Run):
    other = three_segments.routes().replace('"passes": 1', '"passes": 2')
    records = told(set_rate_lb_per_lane_mile=200.0)
    found = by_segment(run({"t.csv": records}, **{"routes.geojson": other}))
    assert sum(found.values()) == pytest.approx(100.0 * sum(LANE_MILES.values()), rel=1e-3)


def test_an_interval_over_two_segments_is_split_by_their_lanes(run: Run):
    lanes = three_segments.routes().replace(
        '"segment_id": "B", "sequence": 2, "lanes": 2',
        '"segment_id": "B", "sequence": 2, "lanes": 4',
    )
    records = told(set_rate_lb_per_lane_mile=200.0)
    found = by_segment(run({"t.csv": records}, **{"routes.geojson": lanes}))
    assert found["B"] == pytest.approx(200.0 * 4 * 0.25, rel=0.005)
    assert found["A"] == pytest.approx(200.0 * LANE_MILES["A"], rel=0.005)


def test_what_was_set_is_known_worse_than_what_was_measured(run: Run):
    no_tickets = {
        "storms/s1/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n",
        "storms/s1/returns.csv": "truck_id,yard_id,returned_at,material,net_lb\n",
    }
    measured = run({"t.csv": three_segments.records()}, **no_tickets)
    told_only = run({"t.csv": told(set_rate_lb_per_lane_mile=200.0)}, **no_tickets)

    def width(result: Reconciled) -> float:
        truck = result.use.trucks.iloc[0]
        return float(np.log(truck["ratio_hi"] / truck["ratio_lo"]))

    assert width(told_only) > 1.5 * width(measured)
    tickets = run({"t.csv": told(set_rate_lb_per_lane_mile=200.0)})
    truck = tickets.use.trucks.iloc[0]
    # 587 lb by tickets against 480 told: the ticket moves the ratio most of the way
    assert truck["ratio"] == pytest.approx(587 / 480, rel=0.05)
    one = tickets.use.segments.set_index("segment_id").loc["A"]
    assert one["applied_u_lb"] / one["applied_lb"] > 0.15


def test_other_storms_are_reckoned_alike(run: Run):
    records = told(set_rate_lb_per_lane_mile=200.0)
    again = {
        "storms/s2/loads.csv": "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
        "L2,T1,Y1,2026-12-11T09:50Z,salt,1500\n",
        "storms/s2/returns.csv": "truck_id,yard_id,returned_at,material,net_lb\n"
        "T1,Y1,2026-12-11T10:20Z,salt,910\n",
        "storms/s2/telemetry/t.csv": records.assign(
            time=records["time"].str.replace("12-01", "12-11")
        ).to_csv(index=False),
    }
    truck = run({"t.csv": records}, **again).use.trucks.iloc[0]
    assert truck["storms"] == 2
    # both storms say 1.22: without the way of the other one it would have no mass
    assert truck["season_ratio"] == pytest.approx(1.22, rel=0.05)


def test_odd_fields_lose_no_record(run: Run):
    size = len(told())
    plow = ["1", "0", "down", "", "2", "true", *["0"] * (size - 6)]
    pavement = ["24.5", "-400", "x", "", "999", *["22"] * (size - 5)]
    rate = ["200", "-5", "abc", "", "99999", *["200"] * (size - 5)]
    records = told(
        plow=plow, pavement_temp_f=pavement, air_temp_c="-3", set_rate_lb_per_lane_mile=rate
    )
    result = run({"t.csv": records})
    assert result.rows_kept == result.rows_read == size
    points = result.trucks[0].points
    assert points["plow"][:6].tolist()[0:2] == [1.0, 0.0]
    assert np.isnan(points["plow"][2:5]).all()
    assert points["plow"][5] == 1.0
    assert np.isnan(points["pavement_temp_f"][1:5]).all()
    assert points["air_temp_f"] == pytest.approx(26.6, abs=0.01)
    assert np.isnan(points["set_rate_lb_per_lane_mile"][1:5]).all()
    assert result.put_right["temperature impossible, the rest of the record used"] == 2
    # a rate that cannot be read is the one that was set before
    whole = 200.0 * sum(LANE_MILES.values())
    assert sum(by_segment(result).values()) == pytest.approx(whole, rel=1e-3)
