"""The season command on the sample county, and `plan` and `compare` where salt is scarce."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from spreadplan.cli import main
from spreadplan.runs import Options, compute_season, reconciling
from spreadplan.season.water import CRITERIA
from tests.reconcile import three_segments

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("blank_charts")]

COUNTY = Path(__file__).parents[1] / "sample_routes" / "county"
TRUTH = Path(__file__).parent / "sample_routes" / "truth"
BUDGET = (
    "season,scope,scope_id,material,budget_ton,used_ton,used_u_ton,storms,forecast_ton,"
    "forecast_hi_ton,verdict"
)


def run(*words: object) -> int:
    return main([str(word) for word in words])


@pytest.fixture
def county(finished_county) -> Path:
    """The sample county with the results of a whole season, up to 2027-03-31."""
    return finished_county


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(folder / "results" / "season" / f"{name}.csv")


# --- what is hidden in the sample --------------------------------------------------------------


def test_the_season_finds_what_is_hidden_in_the_county(county):
    findings = table(county, "findings").set_index("subject")
    drifting = findings.loc["truck TC-103, Rock salt"]
    assert drifting["severity"] == "problem"
    assert "more than it reports" in drifting["what"]
    assert "a month" in drifting["what"]
    books = findings.loc["yard EAST, Rock salt"]
    assert "more counted on 2027-01-25" in books["what"]
    area = findings.loc["area SA2 Long Pine Lake shore"]
    assert area["severity"] == "problem"
    assert "against a limit of 9.0" in area["what"]


def test_it_accuses_nobody_else(county):
    subjects = table(county, "findings")["subject"]
    assert set(subjects[subjects.str.startswith("yard")]) == {"yard EAST, Rock salt"}
    assert set(subjects[subjects.str.startswith("area")]) == {"area SA2 Long Pine Lake shore"}
    trucks = set(subjects[subjects.str.startswith("truck")])
    assert {"truck TC-101, Rock salt", "truck TC-105, Rock salt"}.isdisjoint(trucks)


def test_what_no_ticket_names_stands_beside_what_was_used(county):
    """Two trucks lost tickets: by loads less returns 1,107 tons of rock salt were used."""
    budget = table(county, "budget").set_index(["scope", "scope_id", "material"])
    salt = budget.loc[("agency", "*", "rock_salt")]
    history = table(county, "truck_history")
    lacking = history[history["verdict"] == "tickets missing"]
    assert set(lacking["truck_id"]) == {"TC-105", "TC-109"}
    assert salt["without_ticket_ton"] == pytest.approx(lacking["without_ticket_lb"].sum() / 2000.0)
    slips = [pd.read_csv(path) for path in (county / "storms").glob("*/loads.csv")]
    back = [pd.read_csv(path) for path in (county / "storms").glob("*/returns.csv")]
    net = [
        frame[frame["material"] == "rock_salt"]["net_lb"].sum() / 2000.0
        for frame in (pd.concat(slips), pd.concat(back))
    ]
    assert salt["used_ton"] - salt["without_ticket_ton"] == pytest.approx(net[0] - net[1], abs=2.0)
    assert set(zip(lacking["truck_id"], lacking["storm"], strict=True)) == {
        ("TC-105", "2027-01-16-long-snow"),
        ("TC-109", "2026-12-31-year-end-snow"),
    }
    said = "TC-105 in Long snow, 16 January; TC-109 in Year-end snow, 31 December"
    assert salt["without_ticket"] == said
    found = table(county, "findings").set_index("subject")["what"]
    assert "1 of its usual loads" in found["tickets of TC-105, Rock salt"]
    page = (county / "results/season/season_report.html").read_text()
    assert "rest on loads that no ticket names: TC-105 in " in page


def test_true_mass_of_the_season_lies_in_its_intervals(county):
    """What truly left the hoppers is known to the script that made the county."""
    keys = ["truck_id", "material"]
    true_ton = pd.read_csv(TRUTH / "trucks.csv").groupby(keys)["true_lb"].sum() / 2000.0
    trucks = table(county, "by_truck").set_index(keys)
    error = (trucks["used_ton"] - true_ton).abs()
    # ten trucks and materials: at 95 % one may well lie outside, and none far outside
    assert (error > 1.96 * trucks["used_u_ton"]).sum() <= 1
    assert (error < 3.5 * trucks["used_u_ton"]).all()
    # where the report is wrong, the corrected mass is nearer to the truth
    for truck in ("TC-103", "TC-107"):
        row = (truck, "rock_salt")
        reported = abs(trucks.loc[row, "reported_ton"] - true_ton[row])
        assert error[row] < 0.5 * reported


# --- tables ------------------------------------------------------------------------------------


def test_budget_has_the_columns_of_the_contract_and_adds_up(county):
    header = (county / "results/season/budget.csv").read_text().splitlines()[0]
    assert header.split(",")[: BUDGET.count(",") + 1] == BUDGET.split(",")
    budget = table(county, "budget").set_index(["scope", "scope_id", "material"])
    assert len(budget) == 8
    for material, group in table(county, "by_storm").groupby("material"):
        used = budget.loc[("agency", "*", material), "used_ton"]
        assert group["used_ton"].sum() == pytest.approx(used, rel=1e-6)
    assert budget.loc[("agency", "*", "sand_salt"), "verdict"] == "over"
    ahead = budget.dropna(subset=["forecast_hi_ton"])
    assert len(ahead) == 8
    assert (ahead["forecast_hi_ton"] > ahead["forecast_ton"]).all()
    assert (ahead["forecast_ton"] > ahead["used_ton"]).all()


def test_chloride_follows_from_the_stated_fractions(county):
    chloride = table(county, "chloride")
    use = table(county, "by_storm").groupby("material")["used_ton"].sum()
    agency = chloride[(chloride["scope"] == "agency") & chloride["storm"].isna()]
    expected = 2000.0 * (0.5796 * use["rock_salt"] + 0.1449 * use["sand_salt"])
    assert agency["chloride_lb"].iloc[0] == pytest.approx(expected, rel=1e-6)
    assert set(table(county, "screening")["criterion"]) == {one.name for one in CRITERIA}


def test_acute_chloride_has_both_readings_and_is_not_called_below_unjudged(county):
    """Tamarack Bog: far below 860 mg/L over a storm, above it within the hour; low flow unknown."""
    rows = table(county, "screening").set_index(["area_id", "criterion", "reading"]).sort_index()
    bog = rows.loc[("SA5", "EPA, acute")]
    assert bog.loc["spread over the storm", "concentration_mg_l"] < 100.0
    at_once = bog.loc["all within the averaging time"]
    assert at_once["concentration_mg_l"] == pytest.approx(
        at_once["load_lb"] * 453592.37 / (28.316847 * 3600 * 3.5), rel=1e-6
    )
    assert at_once["concentration_mg_l"] > 860.0
    assert set(rows.loc["SA5", "screening"]) == {"not judged"}
    assert {"below", "near: consider sampling"} <= set(rows.loc[["SA3", "SA4"], "screening"])
    found = table(county, "findings").set_index("subject").loc["water SA5 Tamarack Bog"]
    assert "spread over the storm" in found["what"]
    assert "all within the averaging time" in found["what"]
    environment = (county / "results/season/environment_report.html").read_text()
    assert ">not judged<" in environment


def test_borrowed_percentages_are_credited_on_salt_alone(county):
    found = table(county, "savings")
    borrowed = found[found["known"] == "borrowed percentage"]
    assert set(borrowed["material"]) == {"rock_salt"}
    assert (borrowed["liquid_gal"] > 0.0).all()
    price = 45.0 * 9.83 / 2000.0  # salt_brine a gallon
    expected = 84.0 * borrowed["saved_ton"] - price * borrowed["liquid_gal"]
    assert borrowed["money"].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6)
    fair = table(county, "fair_routes").set_index("material")["guidance_share"]
    assert fair["rock_salt"].notna().any()
    assert fair["sand_salt"].isna().all()


def test_evidence_says_what_it_cannot_support(county):
    evidence = table(county, "evidence")
    assert evidence["supported"].any()
    assert not evidence["supported"].all()
    assert (evidence["p_over"][evidence["supported"]] >= 0.95).all()
    doubtful = evidence[~evidence["supported"]]
    rate = doubtful["reason"] != "more rounds than planned"
    assert doubtful["says"][rate].str.contains("not supported").all()
    assert doubtful["says"][~rate].str.contains("no rate is shown to be over").all()
    lake = evidence[(evidence["area_id"] == "SA2") & evidence["supported"]]
    assert set(lake["trucks"]) == {"TC-108"}
    assert lake["calibration"].str.contains("TC-108: test").all()


def test_the_workbook_holds_the_budget_as_numbers(county):
    book = openpyxl.load_workbook(county / "results/season/season.xlsx")
    page = book["Budget"]
    header = [cell.value for cell in page[3]]
    used = header.index("used, tons") + 1
    shown = [page.cell(row, used).value for row in range(4, page.max_row + 1)]
    assert shown == pytest.approx(table(county, "budget")["used_ton"].tolist(), rel=1e-8)
    for sheet in book:
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


def test_reports_name_what_matters(county):
    season = (county / "results/season/season_report.html").read_text()
    first = season[season.index('class="first"') : season.index('class="glance"')]
    assert "TC-103" in first
    environment = (county / "results/season/environment_report.html").read_text()
    first = environment[environment.index('class="first"') : environment.index('class="glance"')]
    assert "Long Pine Lake shore" in first


# --- which storms count ------------------------------------------------------------------------


@pytest.fixture
def few(tmp_path) -> Path:
    """The county with four of its storms, the last of them without telemetry."""
    folder = tmp_path / "county"
    shutil.copytree(COUNTY, folder)
    kept = ("2026-11-21", "2026-12-20", "2027-01-07", "2027-02-14")
    for storm in (folder / "storms").iterdir():
        if not storm.name.startswith(kept):
            shutil.rmtree(storm)
    shutil.rmtree(folder / "storms" / "2027-02-14-wet-snow" / "telemetry")
    return folder


def results(folder: Path) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes()
        for path in (folder / "results/season").iterdir()
        if path.is_file()
    }


def test_a_storm_without_telemetry_counts_as_planned_and_a_date_leaves_later_ones_out(few, capsys):
    assert run("season", few, "--as-of", "2027-03-01", "--no-pdf") == 0
    assert "4 storms, 3 of them reconciled" in capsys.readouterr().out
    assert table(few, "budget")["planned_storms"].max() == 1
    assert "2027-02-14-wet-snow" not in set(table(few, "evidence")["storm"])
    first = results(few)
    assert run("season", few, "--as-of", "2027-03-01", "--no-pdf") == 0
    assert results(few) == first  # the same inputs, the same bytes
    assert run("season", few, "--as-of", "2027-01-01", "--no-pdf") == 0
    said = capsys.readouterr().out
    assert "2027-01-07-deep-cold, 2027-02-14-wet-snow" in said
    assert "2 storms, 2 of them reconciled" in said
    budget = table(few, "budget")
    assert budget["storms"].max() == 2
    assert (budget["verdict"] == "not known").all()  # two storms are too few for a forecast


def test_bad_seasons_are_exit_code_2_and_change_nothing(few, capsys):
    earlier = few / "results" / "season" / "budget.csv"
    earlier.parent.mkdir(parents=True)
    earlier.write_text("of an earlier run\n")
    before = results(few)
    assert run("season", few, "--as-of", "2026-10-01", "--no-pdf") == 2
    assert "lies before the season's start" in capsys.readouterr().err
    settings = few / "workspace.toml"
    text = settings.read_text()
    settings.write_text(text.replace("season_end = 2027-04-15\n", ""))
    assert run("season", few, "--no-pdf") == 2
    assert "workspace.toml:0:season_end: is missing" in capsys.readouterr().err
    settings.write_text(text)
    budgets = few / "budgets.csv"
    budgets.write_text(
        "season,scope,scope_id,material,budget_ton\n"
        "2024-25,agency,*,rock_salt,5\n2025-26,agency,*,rock_salt,5\n"
    )
    assert run("season", few, "--no-pdf") == 2
    assert "none of them 2026-27" in capsys.readouterr().err
    assert results(few) == before


def test_a_workspace_without_budgets_areas_or_telemetry_still_gets_its_season(workspace, capsys):
    folder = workspace()
    assert run("season", folder, "--as-of", "2026-12-31", "--no-pdf") == 0
    assert "1 storms, 0 of them reconciled" in capsys.readouterr().out
    assert table(folder, "budget")["verdict"].tolist() == ["no budget"]
    assert len(table(folder, "evidence")) == 0


# --- scarce salt and scenarios -----------------------------------------------------------------


def scarce(on_hand_ton: float) -> dict[str, str]:
    return {
        "stock_counts.csv": "yard_id,material,counted_at,on_hand_ton\n"
        f"Y1,salt,2026-11-01,{on_hand_ton}\n"
    }


def test_plan_shares_what_is_scarce_and_says_what_it_costs(workspace, capsys):
    folder = workspace(scarce(0.6))
    assert run("plan", folder, "s1", "--no-pdf") == 0
    said = capsys.readouterr().out
    assert "scarce Salt, shared between routes: given up: class without a name" in said
    rows = pd.read_csv(folder / "results/s1/plan_scarce.csv")
    assert rows["mass_lb"].sum() == pytest.approx(1200.0)
    assert (rows["mass_lb"] <= rows["wanted_lb"] * (1 + 1e-9)).all()
    treated = rows[rows["treated"]]
    assert (treated["mass_lb"] >= treated["minimum_lb"] * (1 - 1e-9)).all()
    yards = pd.read_csv(folder / "results/s1/plan_scarce_yards.csv")
    assert yards["worth_of_one_more_ton"].iloc[0] > 0.0
    page = (folder / "results/s1/plan_report.html").read_text()
    assert "than the storm takes: how to share it" in page


def test_a_plan_with_enough_leaves_no_old_allocation_behind(workspace, capsys):
    folder = workspace(scarce(0.6))
    assert run("plan", folder, "s1", "--no-pdf") == 0
    (folder / "stock_counts.csv").write_text(scarce(300)["stock_counts.csv"])
    assert run("plan", folder, "s1", "--no-pdf") == 0
    assert not list((folder / "results/s1").glob("plan_scarce*"))
    assert "how to share it" not in (folder / "results/s1/plan_report.html").read_text()


def test_compare_sets_scenarios_beside_the_plan(workspace, capsys):
    folder = workspace()
    assert run("compare", folder, "s1", "--without", "T2", "--no-pdf") == 0
    rows = pd.read_csv(folder / "results/s1/scenarios.csv").set_index("scenario")
    assert rows.index.tolist()[0] == "as planned"
    assert {"rates -20 %", "rates +20 %", "5\u00a0°F colder", "T2 out"} <= set(rows.index)
    assert rows.loc["T2 out", "mass_ton_more"] < 0.0
    page = (folder / "results/s1/scenario_report.html").read_text()
    assert "T2 out" in page
    assert run("compare", folder, "s1", "--without", "T9") == 2
    assert "--without:0:*: truck T9" in capsys.readouterr().err


# --- what it costs -------------------------------------------------------------------------------


def test_the_roads_are_made_into_a_network_once(tmp_path, monkeypatch):
    """However many storms are followed and judged."""
    files = three_segments.files()
    for storm in ("s1", "s2"):
        files |= {
            name.replace("storms/s1/", f"storms/{storm}/"): text
            for name, text in files.items()
            if name.startswith("storms/s1/") and "_at," not in text  # a ticket counts once
        }
        files[f"storms/{storm}/telemetry/a.csv"] = three_segments.records().to_csv(index=False)
    folder = three_segments.write(tmp_path / "w", files)
    made = []
    build = reconciling.build_network
    monkeypatch.setattr(
        reconciling, "build_network", lambda *words: made.append(words) or build(*words)
    )
    assert len(compute_season(folder, Options(pdf=False)).storms) == 2
    assert len(made) == 1
