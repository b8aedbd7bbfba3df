"""The simulator's own truth: what was loaded fell or came back, and records say what was shown."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.benchmarks.adverse.conditions import Oddities, draw, names
from tests.benchmarks.adverse.county import play, settle
from tests.benchmarks.adverse.machines import make_county
from tests.benchmarks.adverse.report import shares
from tests.benchmarks.adverse.scoring import score


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("county") / "plain"
    return play(folder, *settle(folder, "plain", 5))


def test_what_was_loaded_fell_or_came_back(plain):
    """With nothing odd, tickets and truth differ by readings and the scale's own error alone."""
    for storm in plain.storms:
        place = plain.folder / "storms" / storm
        out, back = (
            pd.read_csv(place / f"{name}.csv").groupby("truck_id")["net_lb"].agg(["sum", "size"])
            for name in ("loads", "returns")
        )
        table = out.join(back.add_suffix("_back")).fillna(0.0)
        mine = plain.reported[plain.reported["storm"] == storm].set_index("truck_id")
        apart = table["sum"] - table["sum_back"] - mine["true_lb"]
        allowed = 20.0 * (table["size"] + table["size_back"]) + 0.005 * table["sum"]
        assert (apart.abs() <= allowed).all()
        assert (mine["empty_lb"] == 0.0).all()


def test_records_say_what_the_controller_showed(plain):
    for storm in plain.storms:
        shown = plain.reported[plain.reported["storm"] == storm].set_index("truck_id")["shown_lb"]
        for truck_id, total in shown.items():
            records = pd.read_csv(plain.folder / "storms" / storm / "telemetry" / f"{truck_id}.csv")
            assert (records["feed_total_lb"].diff().dropna() >= 0.0).all()
            rise = records["feed_total_lb"].iloc[-1] - records["feed_total_lb"].iloc[0]
            assert rise == pytest.approx(total, abs=2.0)


def test_truth_of_segments_adds_up(plain):
    sums = plain.truth.groupby(["storm", "truck_id"])[["true_lb", "shown_lb"]].sum()
    whole = plain.reported.set_index(["storm", "truck_id"])[["true_lb", "shown_lb"]]
    assert np.allclose(sums, whole.sort_index())


@pytest.mark.slow
def test_a_plain_season_is_scored(plain):
    """The program's own functions answer about a whole season; where nothing is odd, rightly."""
    answers = score(plain).groupby("question")["held"]
    asked = ("applied mass, segment", "ratio of a truck, season", "used by a route, season")
    assert all(answers.count()[one] >= 5 and answers.mean()[one] > 0.8 for one in asked)


def test_a_hopper_cannot_give_what_it_does_not_hold(tmp_path: Path):
    made = play(tmp_path / "empty", *settle(tmp_path / "empty", "hopper runs empty, worst", 5))
    assert (made.reported["empty_lb"] > 0.0).sum() > 3
    for storm in made.storms:
        loads = pd.read_csv(tmp_path / "empty" / "storms" / storm / "loads.csv")
        loaded = loads.groupby("truck_id")["net_lb"].sum()
        fell = made.reported[made.reported["storm"] == storm].set_index("truck_id")["true_lb"]
        # what came back from one storm was weighed out of it
        assert (fell <= loaded * 1.005 + 40.0).all()


@pytest.mark.parametrize("condition", names())
def test_every_condition_can_be_drawn(condition: str):
    rng = np.random.default_rng(1)
    odd = draw(condition, rng)
    assert (odd == Oddities()) == (condition == "plain")
    for truck in make_county(odd, rng).trucks:
        output = np.linspace(0.0, 100.0, 201)
        turns = truck.turns(output)
        assert turns[0] == pytest.approx(0.0)
        assert (np.diff(turns) >= 0.0).all()
        assert truck.day_share + truck.filling_share < 1.0


def test_noise_is_that_of_whole_counties():
    """Ten counties that stand or fall as one each: the noise is that of ten draws, not of 1,000."""
    held = np.repeat([1.0] * 5 + [0.0] * 5, 100)
    lines = pd.DataFrame(
        {
            "question": "q",
            "condition": "c",
            "workspace": np.repeat(np.arange(10), 100),
            "held": held,
            "error": np.linspace(-0.1, 0.1, 1000),
            "half": 0.05,
        }
    )
    row = shares(lines, ["question", "condition"]).iloc[0]
    assert row["share"] == pytest.approx(50.0)
    assert row["noise"] == pytest.approx(100.0 * np.sqrt(0.25 / 10), rel=0.1)
    assert row["half"] == pytest.approx(5.0)
    assert row["needed"] == pytest.approx(9.5, rel=0.01)
