"""A simulation drives the clock's plan again and finds the same times, salt and places."""

from __future__ import annotations

import pytest

from tests.clock import small_storm
from tests.clock.small_storm import driven_again, planned, write

SHIFTS = (
    "truck_id,from,to\n"
    "T1,2026-12-01T03:00,2026-12-01T04:50\nT1,2026-12-01T05:30,2026-12-01T12:00\n"
    "T2,2026-12-01T03:00,2026-12-01T07:00\nT2,2026-12-01T07:00,2026-12-01T10:00\n"
    "T2,2026-12-02T05:00,2026-12-02T12:00\n"
)
CASES = {
    "staffed throughout": {},
    "shifts that end in runs": {"shifts": SHIFTS},
    "more salt than a load": {"rate": 1200.0},
    "more salt, and shifts": {"rate": 1200.0, "shifts": SHIFTS},
    "three rounds too near": {"rounds": [f"2026-12-01T0{hour}:00" for hour in (4, 5, 6)]},
    "the clock goes forward": {"rounds": ["2027-03-14T00:30", "2027-03-14T03:30"], "rate": 900.0},
    "the clock goes back": {"rounds": ["2026-11-01T00:30", "2026-11-01T03:30"], "rate": 900.0},
    "one yard, one material": {
        "assignments": "route_id,truck_id,yard_id,material\nR4,T1,Y1,salt\nR1,T1,Y1,salt\n"
        "R2,T2,Y1,salt\nR3,T2,Y1,salt\n",
        "rate": 150.0,
    },
}


@pytest.mark.parametrize("case", CASES)
def test_a_simulation_finds_the_same(tmp_path, case):
    folder = write(tmp_path, **CASES[case])
    plan = planned(folder)
    world = driven_again(folder, plan)
    assert len(world.clock) > 20
    assert world.faults == []


def test_the_simulation_is_not_blind(tmp_path):
    """Each spoiled row is found."""
    folder = write(tmp_path, rate=1200.0)
    plan = planned(folder)
    path = folder / "results" / "s1" / "plan_clock.csv"
    rows = path.read_text().splitlines()
    for kind, column, change in (
        ("load", 9, lambda text: str(float(text) * 1.5)),
        ("spread", 9, lambda text: str(float(text) * 0.8)),
        ("travel", 6, lambda text: text.replace(":0", ":1", 1)),
        ("spread", 0, lambda _: '"T1"'),
    ):
        place = next(
            n for n, row in enumerate(rows) if f'"{kind}"' in row and row.startswith('"T2"')
        )
        cells = rows[place].split(",")
        cells[column] = change(cells[column])
        path.write_text("\n".join([*rows[:place], ",".join(cells), *rows[place + 1 :]]) + "\n")
        assert driven_again(folder, plan).faults, (kind, column)


def test_two_materials_empty_the_hopper(tmp_path):
    plan = planned(write(tmp_path))
    mine = plan.clock[plan.clock["truck_id"] == "T1"]
    emptied = mine[(mine["activity"] == "load") & (mine["lb"] < 0)]
    # sand, salt, sand, salt: three changes, each with something left
    assert len(emptied) == 3
    assert emptied["minutes"].tolist() == pytest.approx([12.0, 10.0, 12.0], abs=0.02)


def test_nothing_to_spread_is_not_driven(tmp_path):
    plan = planned(write(tmp_path, rate=0.0))
    assert plan.clock.empty
    assert plan.routes["starts_at"].isna().all()
    assert plan.routes["late_min"].isna().all()


def test_no_time_no_clock(tmp_path):
    folder = write(tmp_path)
    (folder / "storms/s1/forecast.csv").unlink()
    (folder / "storms/s1/rates.csv").write_text(
        "route_id,application,rate_lb_per_lane_mile\n*,1,300\n"
    )
    plan = planned(folder)
    assert plan.clock.empty
    assert (plan.routes["minutes"] > 0).all()
    assert small_storm.ROUNDS  # the county of the other tests has times
