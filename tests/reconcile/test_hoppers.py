"""Salt that stays in hoppers, exchanged tickets, and ratios that follow the output."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from spreadplan.reconcile import true_mass
from spreadplan.reconcile.applied import applied_parts
from spreadplan.reconcile.exchanged import exchanged
from spreadplan.reconcile.hoppers import MISSING, STEPS, chain_likelihood
from spreadplan.reconcile.periods import with_curve
from spreadplan.reconcile.ratio_model import WRONG_SHARES, _storms, fit_ratios
from spreadplan.reconcile.tickets import storm_tickets
from spreadplan.reconcile.true_mass import mass_ratios
from tests.reconcile.ticket_tables import hours, load_tickets, reports, return_tickets
from tests.said import US

NOBODY = np.zeros(0, dtype=np.intp)


def carrying(
    rng: np.random.Generator, ratio: np.ndarray, storms: int = 6
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Reports and loads of trucks that fill up when they must, and return nothing."""
    told, out = [], []
    for number, true in enumerate(ratio):
        held = 0.0
        for storm in range(storms):
            need = rng.uniform(4000.0, 14000.0)
            loads = []
            spread = need
            while spread > 0.0:
                if held < min(spread, 3000.0) or not loads:
                    loads.append(8000.0 * rng.uniform(0.95, 1.05) - held)
                    held += loads[-1]
                part = min(spread, held, 5000.0)
                held, spread = held - part, spread - part
            told.append((f"s{storm}", f"T{number}", need / true * np.exp(rng.normal(0.0, 0.01))))
            out += [
                (f"s{storm}", f"T{number}", 100.0 * storm + at, round(net))
                for at, net in enumerate(loads)
            ]
    return reports(*told), load_tickets(*out)


@pytest.mark.slow
def test_salt_carried_from_storm_to_storm_accuses_nobody():
    """Five truthful trucks; the first storm's tickets alone say up to twice what was spread."""
    held = of_all = 0
    for seed in range(4):
        told, out = carrying(np.random.default_rng(seed), np.ones(5))
        found = mass_ratios(told, out, return_tickets(), "s0", 5.0)
        assert found["storm_ratio"].max() > 1.2
        assert not found["verdict"].str.startswith("reports").any()
        held += int(((found["season_lo"] <= 1.0) & (found["season_hi"] >= 1.0)).sum())
        of_all += len(found)
    assert held >= 0.9 * of_all


def test_what_one_storm_leaves_the_next_one_opens_with():
    """20 trucks leave 3,000 lb of 8,000 after a first storm, and spread them in a second."""
    names = [f"T{number}" for number in range(20)]
    told = reports(*(("a", n, 5000.0) for n in names), *(("b", n, 11000.0) for n in names))
    out = load_tickets(
        *(("a", name, 1, 8000.0) for name in names), *(("b", name, 9, 8000.0) for name in names)
    )
    tickets = storm_tickets(told, out, return_tickets(*(("b", name, 10, 0.0) for name in names)))
    assert tickets["emptied"].tolist() == [False, True] * 20
    number, _ = pd.factorize(tickets["truck_id"])
    asked = np.flatnonzero((tickets["storm"] == "b").to_numpy())
    found = fit_ratios(tickets, number, 20, asked)
    assert found.carried_lb == pytest.approx(3000.0, rel=0.15)
    assert (found.carried_u_lb < 1500.0).all()


def test_the_likelihood_of_two_storms_by_enumeration():
    """Every pair of ends of the first storm is added up by hand, for one t."""
    told = reports(("a", "T1", 5000.0), ("b", "T1", 11000.0))
    out = load_tickets(("a", "T1", 1, 8000.0), ("b", "T1", 9, 8000.0))
    tickets = storm_tickets(told, out, return_tickets(("b", "T1", 10, 0.0)))
    storms = _storms(tickets, np.zeros(2, np.intp), 1)
    wrong, empty, carried, begins, lacking = habit = np.array([0.1, 0.4, 0.7, 0.2, 0.05])
    t = 0.05
    found = chain_likelihood(storms, 0.8, habit[None, :], np.array([t]))[0, 0, 0]
    by_hand = 0.0
    step = 8000.0 / STEPS

    def said(row: int, i: int, k: int) -> float:
        def density(z: float, dof: float) -> float:
            size = {10.0: 0.389108383966031, 4.0: 0.375}[dof]
            return float(size * (1.0 + z * z / dof) ** (-(dof + 1.0) / 2.0))

        run = 0.8 * storms.run[row]
        spare = 0.125 * step**2 if i or k else 0.0
        right = 0.0
        for count, share in (
            (0, 1.0 - lacking),
            (1, lacking * MISSING[0]),
            (2, lacking * MISSING[1]),
        ):
            spread = storms.net[row] + (i - k) * step + 8000.0 * count
            of_loads = count * (0.15 * 8000.0) ** 2
            sd = np.sqrt(run**2 + (storms.u_lb[row] ** 2 + spare + of_loads) / spread**2)
            right += share * density((np.log(spread / storms.reported[row]) - t) / sd, 10.0) / sd
        sd = np.hypot(run, 0.4 * 8000.0 / storms.net[row])
        bad = density((np.log(storms.net[row] / storms.reported[row]) - t) / sd, 4.0) / sd
        return (1.0 - wrong) * right + wrong * bad

    first = [1.0 - begins] + [begins / (STEPS - 1)] * (STEPS - 1)
    ends = [empty] + [(1.0 - empty) / (STEPS - 1)] * (STEPS - 1)
    for i in range(STEPS):
        for k in range(STEPS):
            brought_back = said(1, 0, 0)
            kept = said(1, k, 0) if k else brought_back
            after = carried * kept + (1.0 - carried) * brought_back
            by_hand += first[i] * ends[k] * said(0, i, k) * after
    assert found == pytest.approx(np.log(by_hand), rel=1e-9)


def swapped() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Three trucks, three storms; in the last a load of 9,000 lb is exchanged for one of 6,000."""
    told, out, back = [], [], []
    for storm in range(3):
        for truck, net in (("T1", 9000.0), ("T2", 6000.0), ("T3", 7000.0)):
            told.append((f"s{storm}", truck, 2.0 * net))
            out += [(f"s{storm}", truck, 24.0 * storm + at, net) for at in (1, 2)]
            back.append((f"s{storm}", truck, 24.0 * storm + 3, 0.0))
    loads = load_tickets(*out).assign(yard_id="Y1")
    loads["ticket_id"] = [f"L{number}" for number in range(len(loads))]
    first = loads.index[(loads["storm"] == "s2") & (loads["truck_id"] == "T1")][0]
    second = loads.index[(loads["storm"] == "s2") & (loads["truck_id"] == "T2")][0]
    loads.loc[[first, second], "truck_id"] = ["T2", "T1"]
    return reports(*told), loads, return_tickets(*back)


def test_exchanged_tickets_are_named_and_accuse_nobody():
    told, loads, back = swapped()
    found = mass_ratios(told, loads, back, "s2", 5.0).set_index("truck_id")
    assert not found["verdict"].str.startswith("reports").any()
    assert US.say(found.loc["T2", "exchanged"]) == (
        "its ticket L12 and L14 of T1 seem to be each other's: look at both"
    )
    assert "L14" in US.say(found.loc["T1", "advice"])
    assert found.loc["T3", "exchanged"] == ""
    # the storm's ratio stays with the season's, though its tickets say a sixth and a quarter else
    assert found["storm_ratio"].round(2).to_dict() == {"T1": 0.83, "T2": 1.25, "T3": 1.0}
    assert found.loc[["T1", "T2"], "ratio"].to_numpy() == pytest.approx(1.0, abs=0.04)
    objects = mass_ratios(
        told, loads, back, "s2", 5.0, {f"s{n}": hours(24.0 * n) for n in range(3)}
    )
    assert (objects["exchanged"] != "").sum() == 2
    apart = loads.assign(yard_id=np.where(loads["truck_id"] == "T1", "Y2", "Y1"))
    assert (mass_ratios(told, apart, back, "s2", 5.0)["exchanged"] == "").all()


def test_numbers_of_a_table_of_single_rows_are_numbers(monkeypatch):
    """A truck without reports is put in row by row, and its columns hold Python's objects."""
    told, loads, back = swapped()
    usual = mass_ratios(told, loads, back, "s2", 5.0)["exchanged"]
    numbers = dict.fromkeys(["reported_lb", "loaded_lb", "returned_lb", "ratio"], object)
    monkeypatch.setattr(
        true_mass, "exchanged", lambda table, *rest: exchanged(table.astype(numbers), *rest)
    )
    assert mass_ratios(told, loads, back, "s2", 5.0)["exchanged"].tolist() == usual.tolist()


def curved(slopes: list[float], storms: int = 8) -> pd.DataFrame:
    """Tickets of trucks with ratio 1.1 - offset / output, at outputs from 60 to 300 lb/min."""
    rng = np.random.default_rng(2)
    outputs = np.linspace(60.0, 300.0, storms)[[0, 7, 2, 5, 1, 6, 3, 4]]
    told, out, back = [], [], []
    for number, offset in enumerate(slopes):
        for storm, output in enumerate(outputs):
            ratio = (1.1 - offset / output) * np.exp(rng.normal(0.0, 0.01))
            told.append((f"s{storm}", f"T{number}", 10000.0))
            out.append((f"s{storm}", f"T{number}", 1, 10000.0 * ratio))
            back.append((f"s{storm}", f"T{number}", 2, 0.0))
    table = reports(*told).assign(output_lb_per_min=np.tile(outputs, len(slopes)))
    return storm_tickets(table, load_tickets(*out), return_tickets(*back))


def ratios_at(tickets: pd.DataFrame, storm: str) -> pd.DataFrame:
    names = tickets["truck_id"].unique()
    flat = pd.DataFrame({"truck_id": names, "material": "salt", "ratio": 1.0, "ratio_lo": 0.9})
    flat = flat.assign(ratio_hi=1.1, ratio_u=0.05, ratio_fleet_u=0.01, trend_p=np.nan)
    return with_curve(flat, tickets, storm).set_index("truck_id")


def test_a_ratio_that_follows_the_output_is_that_of_the_storms_output():
    tickets = curved([20.0, 0.0, 0.0, 0.0])
    least, most = ratios_at(tickets, "s0"), ratios_at(tickets, "s1")
    assert least.loc["T0", "curve_p"] < 0.001
    assert least.loc["T0", "ratio"] == pytest.approx(1.1 - 20.0 / 60.0, rel=0.02)
    assert most.loc["T0", "ratio"] == pytest.approx(1.1 - 20.0 / 300.0, rel=0.02)
    ends = least.loc["T0", ["output_low_lb_per_min", "output_high_lb_per_min"]]
    assert ends.tolist() == [60.0, 300.0]
    assert least.loc["T0", "ratio_at_low"] == pytest.approx(least.loc["T0", "ratio"])
    assert least.loc["T0", "ratio_at_high"] == pytest.approx(most.loc["T0", "ratio"])
    # the others have none: their slopes are drawn towards it and they keep what they had
    others = least.drop(index="T0")
    assert (others["ratio"] == 1.0).all()
    assert (others["curve_p"] > 0.05).all()


def test_outputs_much_alike_tell_nothing_of_a_curve():
    tickets = curved([20.0]).assign(output_lb_per_min=lambda t: 200.0 + 0.2 * t.index)
    assert ratios_at(tickets, "s0").loc["T0", ["ratio_at_low", "curve_p"]].isna().all()


@pytest.mark.parametrize("wrong", [0, 2])
def test_the_season_agrees_with_a_robust_regression(wrong: int):
    """statsmodels' RLM with Tukey's biweight, of a constant: the median truck of a fleet of one."""
    rng = np.random.default_rng(4)
    y = rng.normal(0.03, 0.015, 12)
    y[:wrong] += 0.35
    nets = 20.0 * np.round(9000.0 * np.exp(y) / 20.0)
    tickets = storm_tickets(
        reports(*((f"s{n}", "T1", 9000.0) for n in range(12))),
        load_tickets(*((f"s{n}", "T1", 1, net) for n, net in enumerate(nets))),
        return_tickets(*((f"s{n}", "T1", 2, 0.0) for n in range(12))),
    )
    found = fit_ratios(tickets, np.zeros(12, np.intp), 1, NOBODY)
    said = sm.RLM(np.log(nets / 9000.0), np.ones(12), M=sm.robust.norms.TukeyBiweight()).fit()
    mean = float(found.density[0] @ np.linspace(-1.2, 1.2, 801))
    sd = float(np.sqrt(found.density[0] @ (np.linspace(-1.2, 1.2, 801) - mean) ** 2))
    assert mean == pytest.approx(float(said.params[0]), abs=float(said.bse[0]))
    assert 0.6 < sd / float(said.bse[0]) < 2.0
    assert (found.wrong_share > min(WRONG_SHARES) * 2.0) == bool(wrong)


def test_a_fleet_agrees_with_a_mixed_model():
    """statsmodels' MixedLM by REML, trucks at random: the mean of the fleet, and each truck."""
    rng = np.random.default_rng(6)
    trucks, storms = 12, 6
    truth = rng.normal(0.05, 0.06, trucks)
    y = truth[:, None] + rng.normal(0.0, 0.02, (trucks, storms))
    rows = [(f"s{s}", f"T{n:02d}", y[n, s]) for n in range(trucks) for s in range(storms)]
    tickets = storm_tickets(
        reports(*((storm, truck, 9000.0) for storm, truck, _ in rows)),
        load_tickets(*((storm, truck, 1, 9000.0 * np.exp(one)) for storm, truck, one in rows)),
        return_tickets(*((storm, truck, 2, 0.0) for storm, truck, _ in rows)),
    )
    number, _ = pd.factorize(tickets["truck_id"])
    found = fit_ratios(tickets, number, trucks, NOBODY)
    grid = np.linspace(-1.2, 1.2, 801)
    response = np.log(tickets["loaded_lb"] / tickets["reported_lb"]).to_numpy()
    said = sm.MixedLM(100.0 * response, np.ones(len(response)), groups=number).fit(reml=True)
    effects = [said.random_effects[n].item() for n in range(trucks)]
    middle = float(said.fe_params[0]) / 100.0  # in percent it converges
    assert found.density @ grid == pytest.approx(middle + np.array(effects) / 100.0, abs=0.004)
    # ours is robust against an odd truck, theirs is a mean
    apart = float(found.fleet_density @ grid) - middle
    assert abs(apart) < 0.5 * float(said.bse_fe[0]) / 100.0


def test_a_segment_gets_what_the_truck_puts_down_at_its_output():
    """By hand: true = 1.2 reported - 30 lb/min. 100 lb in 1 min: 90; 100 lb in 0.4 min: 108."""
    use = pd.DataFrame({
        "route_id": "R1", "segment_id": ["a", "b"], "material": "salt", "truck_id": "T1",
        "reported_lb": 100.0, "spread_s": [60.0, 24.0], "passes": 1.0, "matching_u_lb": 0.0,
        "timing_u_lb": 0.0,
    })  # fmt: skip
    ratios = pd.DataFrame({
        "truck_id": ["T1"], "material": "salt", "ratio": 1.2 - 30.0 * 1.4 / 200.0, "ratio_u": 0.0,
        "ratio_fleet_u": 0.0, "ratio_storm_u": 0.0, "output_low_lb_per_min": 100.0,
        "output_high_lb_per_min": 300.0, "ratio_at_low": 0.9, "ratio_at_high": 1.1,
        "curve_p": 0.001, "curve_u": 0.1,
    })  # fmt: skip
    found = applied_parts(use.assign(run_u=0.0), ratios)
    assert found["applied_lb"].tolist() == pytest.approx([90.0, 108.0])
    assert found["own_u_lb"].tolist() == pytest.approx([0.9, 0.9])
    chance = applied_parts(use.assign(run_u=0.0), ratios.assign(curve_p=0.5))
    assert chance["applied_lb"].tolist() == pytest.approx([99.0, 99.0])


def test_a_storm_whose_hopper_may_have_run_empty_holds_both():
    """Five storms agree; in the sixth a fourth of what was reported was never loaded."""
    told = reports(*((f"s{n}", "T1", 12000.0 if n == 5 else 9000.0) for n in range(6)))
    out = load_tickets(*((f"s{n}", "T1", 1, 9000.0) for n in range(6)))
    back = return_tickets(*((f"s{n}", "T1", 2, 0.0) for n in range(6)))
    found = mass_ratios(told, out, back, "s5", 5.0).iloc[0]
    assert found["season_ratio"] == pytest.approx(1.0, abs=0.02)
    assert found["ratio_lo"] < 0.75
    assert found["ratio_hi"] > 1.0
    usual = mass_ratios(told, out, back, "s4", 5.0).iloc[0]
    assert usual["ratio_hi"] / usual["ratio_lo"] < 1.05
