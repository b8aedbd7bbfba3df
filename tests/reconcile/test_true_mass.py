"""Ratios of true to reported mass: hand-made cases, and coverage against simulated truth."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from spreadplan.reconcile.ratio_model import (
    LOG_RATIO,
    MISSING_SHARES,
    SCATTER,
    SCATTER_LOG_SD,
    WRONG_SHARES,
    fit_ratios,
    quantiles,
    student,
)
from spreadplan.reconcile.tickets import storm_tickets, ticket_variance_lb2
from spreadplan.reconcile.true_mass import (
    RATIOS,
    VERDICTS,
    mass_ratios,
    own_tests,
)
from tests.reconcile.ticket_tables import (
    Season,
    load_tickets,
    reports,
    return_tickets,
    simulated_season,
)
from tests.said import US

SIX_TRUCKS = np.array([1.0, 1.0, 1.25, 0.98, 1.0, 0.8])


def ratios_of(season: Season, storm: str) -> pd.DataFrame:
    found = mass_ratios(season.reported, season.loads, season.returns, storm, 5.0)
    return found.set_index("truck_id")


def lose_ticket(season: Season, truck: str, storm: str) -> Season:
    own = season.loads[(season.loads["truck_id"] == truck) & (season.loads["storm"] == storm)]
    return Season(
        season.ratio, season.reported, season.loads.drop(index=own.index[0]), season.returns
    )


def test_tickets_of_a_storm_add_up():
    """By hand: 2 loads of 12,000 and 10,000 lb, 3,000 lb brought back between them, none after."""
    table = storm_tickets(
        reports(("a", "T1", 18000.0), ("b", "T1", 500.0)),
        load_tickets(("a", "T1", 1, 12000.0), ("a", "T1", 3, 10000.0)),
        return_tickets(("a", "T1", 2, 3000.0)),
    )
    first, second = table.to_dict("records")
    assert (first["loaded_lb"], first["returned_lb"], first["loads"]) == (22000.0, 3000.0, 2)
    assert first["unreturned_lb"] == 10000.0
    # three tickets, two readings each, rectangular within 20 lb: sqrt(3 * 20**2 / 6)
    assert first["ticket_u_lb"] == pytest.approx(14.142, abs=0.001)
    assert (second["loaded_lb"], second["loads"], second["typical_load_lb"]) == (0.0, 0, 11000.0)


def test_a_return_after_the_last_load_empties_the_hopper():
    table = storm_tickets(
        reports(("a", "T1", 9000.0)),
        load_tickets(("a", "T1", 1, 12000.0)),
        return_tickets(("a", "T1", 2, 3000.0)),
    )
    assert table["unreturned_lb"].tolist() == [0.0]


def test_a_stated_scale_division_counts():
    tickets = pd.DataFrame({"scale_division_lb": [60.0, np.nan], "net_lb": 9_000.0})
    assert ticket_variance_lb2(tickets).tolist() == pytest.approx([600.0, 400.0 / 6.0])


def test_columns_and_their_order():
    found = mass_ratios(
        reports(("a", "T2", 9000.0), ("a", "T1", 9000.0)),
        load_tickets(("a", "T1", 1, 9500.0)),
        return_tickets(),
        "a",
        5.0,
    )
    assert list(found.columns) == RATIOS
    assert found["truck_id"].tolist() == ["T1", "T2"]
    assert set(found["verdict"]) <= set(VERDICTS)


def test_no_storm_of_that_name_gives_no_rows():
    found = mass_ratios(
        reports(("a", "T1", 9000.0)), load_tickets(), return_tickets(), "other", 5.0
    )
    assert found.empty
    assert list(found.columns) == RATIOS


def test_many_agreeing_storms_give_loaded_minus_returned_over_reported():
    """By hand: every storm spreads 20,000 lb and reports 18,000: ratio 1.1111."""
    storms = [str(number) for number in range(8)]
    found = mass_ratios(
        reports(*((storm, "T1", 18000.0) for storm in storms)),
        load_tickets(
            *((storm, "T1", 1, 12000.0) for storm in storms),
            *((storm, "T1", 2, 11000.0) for storm in storms),
        ),
        return_tickets(*((storm, "T1", 3, 3000.0) for storm in storms)),
        "7",
        5.0,
    ).iloc[0]
    assert found["ratio"] == pytest.approx(20.0 / 18.0, rel=0.005)
    assert found["storm_ratio"] == pytest.approx(20.0 / 18.0)
    assert found["ratio_lo"] < found["ratio"] < found["ratio_hi"]
    assert found["verdict"] == "reports too little"
    assert found["test_again"]
    assert "calibration number to change to 1.11 times" in US.say(found["advice"])


def test_verdicts_of_a_season():
    season = simulated_season(np.random.default_rng(3), SIX_TRUCKS, storms=4)
    found = ratios_of(lose_ticket(season, "T3", "3"), "3")
    assert found["verdict"].to_dict() == {
        "T0": "agrees",
        "T1": "agrees",
        "T2": "reports too little",
        "T3": "tickets missing",
        "T4": "not shown",
        "T5": "reports too much",
    }
    assert found["test_again"].to_dict() == {
        "T0": False,
        "T1": False,
        "T2": True,
        "T3": False,
        "T4": False,
        "T5": True,
    }


def test_missing_tickets_do_not_move_the_ratio():
    season = simulated_season(np.random.default_rng(3), SIX_TRUCKS, storms=4)
    whole = ratios_of(season, "3").loc["T3"]
    gap = ratios_of(lose_ticket(season, "T3", "3"), "3").loc["T3"]
    assert whole["p_missing"] < 0.05
    assert gap["p_missing"] > 0.8
    assert gap["season_ratio"] == pytest.approx(whole["season_ratio"], abs=0.02)
    # the storm's own estimate leans on the season then, and says how much less it knows
    assert gap["ratio"] == pytest.approx(gap["season_ratio"], abs=0.015)
    assert gap["ratio_u"] > 2.0 * whole["ratio_u"]
    assert gap["storm_ratio"] < 0.9 * whole["storm_ratio"]
    assert "1 of its usual loads would explain it" in US.say(gap["advice"])


def test_what_no_ticket_names_is_what_was_put_down_less_the_tickets():
    season = simulated_season(np.random.default_rng(3), SIX_TRUCKS, storms=4)
    found = ratios_of(lose_ticket(season, "T3", "3"), "3")
    accounted = found["loaded_lb"] - found["returned_lb"]
    gap = found.loc["T3"]
    presumed = gap["ratio"] * gap["reported_lb"] - accounted["T3"]
    assert gap["without_ticket_lb"] == pytest.approx(presumed)
    assert 0.5 * 14000.0 < presumed < 14000.0
    assert gap["missing_loads"] == 1
    # the sentence and the column are of one ratio
    share = (accounted["T3"] + gap["without_ticket_lb"]) / accounted["T3"]
    assert f"about {share:.2f} times what its tickets account for" in US.say(gap["advice"])
    others = found.drop(index="T3")
    assert (others["without_ticket_lb"] == 0.0).all()
    assert (others["missing_loads"] == 0).all()


def test_a_truck_without_records_is_not_said_to_report_too_little():
    found = mass_ratios(
        reports(("a", "T1", 9000.0)),
        load_tickets(("a", "T1", 1, 9000.0), ("a", "T2", 1, 9000.0)),
        return_tickets(),
        "a",
        5.0,
    ).set_index("truck_id")
    assert found.loc["T2", "verdict"] == "records incomplete"
    assert not found.loc["T2", "test_again"]


def test_a_storm_whose_records_are_incomplete_does_not_move_the_season():
    """Half of the mass of one storm has no total: the ratio there is 2, and says nothing."""
    season = simulated_season(np.random.default_rng(4), np.ones(6), storms=4)
    told = season.reported.assign(known_share=1.0)
    half = (told["truck_id"] == "T0") & (told["storm"] == "2")
    told.loc[half, "reported_lb"] /= 2.0
    blind = told.assign(known_share=np.where(half, 0.5, 1.0))
    usual = ratios_of(season, "3").loc["T0"]
    found = ratios_of(Season(season.ratio, blind, season.loads, season.returns), "3").loc["T0"]
    assert found["season_ratio"] == pytest.approx(usual["season_ratio"], abs=0.01)
    assert (found["storms"], usual["storms"]) == (3, 4)
    assert found["verdict"] == "agrees"
    there = ratios_of(Season(season.ratio, blind, season.loads, season.returns), "2").loc["T0"]
    assert there["verdict"] == "records incomplete"
    assert there["ratio"] == pytest.approx(1.0, abs=0.05)


def test_reported_twice_what_was_ever_loaded_is_a_missing_ticket():
    found = mass_ratios(
        reports(("a", "T1", 20000.0)),
        load_tickets(("a", "T1", 1, 10000.0)),
        return_tickets(),
        "a",
        5.0,
    ).iloc[0]
    assert found["verdict"] == "tickets missing"


def test_one_odd_ticket_does_not_condemn_a_truck():
    """A ticket of four times the mass, in one storm of four."""
    season = simulated_season(np.random.default_rng(5), np.ones(6), storms=4)
    odd = season.loads.copy()
    own = odd.index[(odd["truck_id"] == "T0") & (odd["storm"] == "3")]
    odd.loc[own[0], "net_lb"] *= 4.0
    found = ratios_of(Season(season.ratio, season.reported, odd, season.returns), "3").loc["T0"]
    assert found["storm_ratio"] > 1.3
    assert found["verdict"] == "agrees"
    assert found["season_ratio"] == pytest.approx(1.0, abs=0.03)
    assert found["ratio"] == pytest.approx(1.0, abs=0.08)
    assert found["ratio_lo"] < 1.0 < found["ratio_hi"]


def test_an_odd_ticket_in_the_only_storm_leaves_the_matter_open():
    season = simulated_season(np.random.default_rng(5), np.ones(6), storms=1)
    odd = season.loads.copy()
    own = odd.index[odd["truck_id"] == "T0"]
    odd.loc[own[0], "net_lb"] *= 1.5
    before = ratios_of(season, "0").loc["T0"]
    after = ratios_of(Season(season.ratio, season.reported, odd, season.returns), "0").loc["T0"]
    assert np.log(after["season_hi"] / after["season_lo"]) > 1.3 * np.log(
        before["season_hi"] / before["season_lo"]
    )
    assert after["season_ratio"] < after["storm_ratio"]


def test_a_truck_without_tickets_gets_what_its_fleet_says():
    season = simulated_season(np.random.default_rng(7), np.full(6, 1.10), storms=3)
    loads = season.loads[season.loads["truck_id"] != "T5"]
    returns = season.returns[season.returns["truck_id"] != "T5"]
    found = ratios_of(Season(season.ratio, season.reported, loads, returns), "2")
    bare, weighed = found.loc["T5"], found.loc["T0"]
    assert bare["verdict"] == "no tickets"
    assert bare["fleet_share"] == pytest.approx(1.0)
    assert bare["ratio"] == pytest.approx(1.10, abs=0.03)
    assert bare["ratio"] == pytest.approx(bare["fleet_ratio"])
    assert bare["ratio_u"] > 2.0 * weighed["ratio_u"]


def test_few_tickets_are_drawn_towards_the_fleet():
    """The same storm of one truck, in a fleet that agrees and in one that reports too little."""
    own = simulated_season(np.random.default_rng(8), np.array([1.0]), storms=1)

    def beside(ratio: float) -> pd.Series:
        fleet = simulated_season(np.random.default_rng(9), np.full(8, ratio), storms=1)
        frames = [
            pd.concat([mine, theirs.assign(truck_id="F" + theirs["truck_id"])])
            for mine, theirs in (
                (own.reported, fleet.reported),
                (own.loads, fleet.loads),
                (own.returns, fleet.returns),
            )
        ]
        return ratios_of(Season(own.ratio, *frames), "0").loc["T0"]

    assert beside(1.15)["ratio"] > beside(1.0)["ratio"] + 0.005


def test_a_hopper_left_unweighed_widens_the_interval():
    with_ticket = mass_ratios(
        reports(("a", "T1", 20000.0)),
        load_tickets(("a", "T1", 1, 11000.0), ("a", "T1", 2, 11000.0)),
        return_tickets(("a", "T1", 3, 2000.0)),
        "a",
        5.0,
    ).iloc[0]
    without = mass_ratios(
        reports(("a", "T1", 20000.0)),
        load_tickets(("a", "T1", 1, 11000.0), ("a", "T1", 2, 11000.0)),
        return_tickets(),
        "a",
        5.0,
    ).iloc[0]
    assert (
        without["ratio_hi"] - without["ratio_lo"]
        > with_ticket["ratio_hi"] - with_ticket["ratio_lo"]
    )
    assert without["ratio_lo"] < with_ticket["ratio"] < without["ratio_hi"]


def test_loaded_but_nothing_reported():
    found = mass_ratios(
        reports(("a", "T1", 0.0)), load_tickets(("a", "T1", 1, 12000.0)), return_tickets(), "a", 5.0
    ).iloc[0]
    assert found["verdict"] == "reports too little"
    assert "check its sensor" in US.say(found["advice"])
    assert found["test_again"]
    assert np.isnan(found["storm_ratio"])


@pytest.mark.parametrize("reported_lb", [277.0, 3_000.0])
def test_records_that_are_mostly_missing_are_no_agreement(reported_lb: float):
    """Two loads of 6,300 lb, and a controller of which next to nothing was heard."""
    table = mass_ratios(
        reports(("s1", "T1", reported_lb)),
        load_tickets(("s1", "T1", 1, 6_300.0), ("s1", "T1", 3, 6_300.0)),
        return_tickets(),
        "s1",
        5.0,
    )
    row = table.iloc[0]
    assert row["verdict"] == "tickets and reports disagree"
    assert f"its tickets account for 12,600 lb, its controller for {reported_lb:,.0f} lb" in US.say(
        row["advice"]
    )
    assert not row["test_again"]


def test_materials_are_fleets_of_their_own():
    season = simulated_season(np.random.default_rng(11), np.full(4, 1.2), storms=3)
    sand = season.reported.assign(material="sand")
    found = mass_ratios(
        pd.concat([season.reported, sand]), season.loads, season.returns, "0", 5.0
    ).set_index(["truck_id", "material"])
    assert found.loc[("T0", "salt"), "ratio"] == pytest.approx(1.2, abs=0.04)
    assert found.loc[("T0", "sand"), "verdict"] == "no tickets"
    assert found.loc[("T0", "sand"), "ratio"] == pytest.approx(1.0, abs=0.001)


@pytest.mark.slow
def test_grid_integral_equals_adaptive_quadrature():
    """One truck, one storm, no gaps in the paper: the posterior by independent integration.

    The spread over fleets is integrated here by brute force on the same priors, as written in the
    description of the model, with scipy's Student t.
    """
    tickets = storm_tickets(
        reports(("a", "T1", 18000.0)),
        load_tickets(("a", "T1", 1, 11000.0), ("a", "T1", 2, 11000.0)),
        return_tickets(("a", "T1", 3, 2000.0)),
    )
    found = fit_ratios(tickets, np.zeros(1, np.intp), 1, np.zeros(1, np.intp))
    t = np.linspace(-1.2, 1.2, 801)
    means, spreads = np.linspace(-0.3, 0.3, 121), np.geomspace(0.01, 0.3, 10)
    fleet = np.zeros_like(t)
    total = 0.0
    for mean in means:
        for spread in spreads:
            weight = np.exp(-0.5 * (mean**2 + spread**2) / 0.1**2) * spread
            density = stats.t.pdf(t, 4, mean, spread)
            fleet += weight * density / density.sum()
            total += weight
    weights = np.exp(-0.5 * (np.log(SCATTER) / SCATTER_LOG_SD) ** 2)
    complete, lacking, wrong = np.zeros((3, t.size))
    for weight, scatter in zip(weights, SCATTER, strict=True):
        run = scatter * np.hypot(0.03 / np.sqrt(2.0), 0.02)
        sd = np.hypot(run, 14.142 / 20000.0)
        complete += weight * stats.t.pdf(np.log(20.0 / 18.0), 10, t, sd)
        for count, of_all in ((1, 0.77), (2, 0.23)):
            spread_lb = 20000.0 + 11000.0 * count
            u_lb = np.hypot(14.142, 0.15 * 11000.0 * np.sqrt(count))
            sd = np.hypot(run, u_lb / spread_lb)
            lacking += weight * of_all * stats.t.pdf(np.log(spread_lb / 18000.0), 10, t, sd)
        sd = np.hypot(run, 0.4 * 11000.0 / 20000.0)
        wrong += weight * stats.t.pdf(np.log(20.0 / 18.0), 4, t, sd)

    def like_of(bad: float, lacks: float) -> np.ndarray:
        return (1.0 - bad) * ((1.0 - lacks) * complete + lacks * lacking) + bad * wrong

    # the habits are told by this one storm, on every other step of t; their mean is what counts
    pairs = list(product(WRONG_SHARES, MISSING_SHARES))
    evidence = np.array(
        [WRONG_SHARES[a] * MISSING_SHARES[b] * (like_of(a, b) @ fleet) for a, b in pairs]
    )
    bad, lacks = evidence @ np.array(pairs) / evidence.sum()
    assert found.wrong_share == pytest.approx(bad, rel=5e-3)
    like = like_of(found.wrong_share, lacks)
    expected = fleet * like / (fleet * like).sum()
    assert found.density[0] == pytest.approx(expected, abs=2e-5)
    assert found.fleet_density.sum() == pytest.approx(1.0)


def test_student_is_the_density_of_four_degrees_of_freedom():
    z = np.array([-7.0, -1.0, 0.0, 0.5, 30.0])
    assert student(z) == pytest.approx(stats.t.pdf(z, 4), rel=1e-12)


def test_quantiles_of_a_known_density():
    density = stats.norm.pdf(LOG_RATIO, 0.1, 0.05)[None, :]
    density /= density.sum()
    assert quantiles(density, 0.975)[0] == pytest.approx(0.1 + 1.95996 * 0.05, abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("storms", "scatter", "missing", "returned"),
    [(3, 0.02, 0.0, 1.0), (1, 0.02, 0.0, 1.0), (3, 0.02, 0.0, 0.5), (3, 0.03, 0.04, 0.7)],
)
def test_intervals_cover_the_true_ratio(
    storms: int, scatter: float, missing: float, returned: float
) -> None:
    """30 seeded fleets of 8 trucks: 95 % intervals hold the truth in 92.5 % at the least.

    Of 240 trucks 228 are expected; chance alone gives fewer than 222 in 3.5 % of such tests
    (binomial), but the seed is fixed.
    """
    rng = np.random.default_rng(106)
    covered = 0
    for _ in range(30):
        ratio = np.exp(rng.normal(rng.normal(0.0, 0.05), 0.06, 8))
        season = simulated_season(rng, ratio, storms, scatter, missing, returned)
        found = ratios_of(season, "0").reindex([f"T{number}" for number in range(8)])
        covered += int(((found["season_lo"] <= ratio) & (ratio <= found["season_hi"])).sum())
    assert covered >= 222


@pytest.mark.slow
def test_intervals_of_one_storm_cover_what_was_true_in_it() -> None:
    """What a truck's storms scatter by belongs to the storm: 30 fleets of 8, all returns recorded.

    The truth of the storm is its tickets without their rounding of 20 lb, so the tickets of a
    second, finer scale stand for it here.
    """
    rng = np.random.default_rng(107)
    covered = trucks = 0
    for _ in range(30):
        ratio = np.exp(rng.normal(0.0, 0.06, 8))
        season = simulated_season(rng, ratio, 3, 0.03)
        found = ratios_of(season, "0")
        inside = found["storm_ratio"].between(found["ratio_lo"], found["ratio_hi"])
        covered += int(inside.sum())
        trucks += int(found["storm_ratio"].notna().sum())
        wide = np.log(found["ratio_hi"] / found["ratio_lo"])
        assert wide.median() < 0.05  # far narrower than the scatter of storms alone would allow
    assert covered >= 0.93 * trucks


def test_own_tests_stand_beside_the_ratio():
    """By hand: 8.1 lb/count after 7.5: change 1.08, u = hypot(0.162/8.1, 0.15/7.5) = 0.0283."""
    ratios = pd.DataFrame({"truck_id": ["T1", "T2"], "material": ["salt", "salt"]})
    models = pd.DataFrame(
        {
            "truck_id": ["T1", "T1"],
            "material": ["salt", "salt"],
            "tests": ["D1;D2", "D3"],
            "relative_u_pct": [2.0, 3.0],
        }
    )
    drift = pd.DataFrame(
        {
            "truck_id": ["T1", "T1"],
            "material": ["salt", "salt"],
            "test_id": ["D3", "D2"],
            "performed_at": pd.to_datetime(["2026-11-02", "2026-10-01"], utc=True),
            "value": [8.1, 7.5],
            "value_u": [0.162, 0.1],
            "previous_value": [7.5, 7.4],
            "previous_value_u": [0.15, 0.1],
        }
    )
    found = own_tests(ratios, models, drift)
    first, second = found.to_dict("records")
    assert (first["tests"], first["last_test_id"]) == ("D1;D2;D3", "D3")
    assert first["test_relative_u_pct"] == 3.0
    assert first["test_change"] == pytest.approx(1.08)
    assert first["test_change_u"] == pytest.approx(0.02828, abs=1e-5)
    assert (second["tests"], second["last_test_id"]) == ("", "")
    assert np.isnan(second["test_change"])
