"""What a driver reads must be what the truck's control takes, whatever else is on the card."""

from __future__ import annotations

import re
import shutil
from datetime import datetime
from pathlib import Path

import pytest

from spreadplan import runs

COUNTY = Path(__file__).parents[2] / "tests" / "real_roads" / "workspace"
STORM = "2026-11-27-snow"


@pytest.fixture(scope="module")
def cards(tmp_path_factory):
    """Cards of a storm whose last round treats nothing, for every truck and route."""
    from spreadplan.reports.cab_card import cab_cards
    from spreadplan.views.setting import setting_of

    folder = tmp_path_factory.mktemp("cards") / "w"
    shutil.copytree(COUNTY, folder)
    path = folder / "storms" / STORM / "rates.csv"
    header = path.read_text().splitlines()[0].split(",")
    rate = next(name for name in header if name.startswith("rate_"))
    path.write_text(f"route_id,application,{rate}\n*,1,12\n*,2,0\n")
    (folder / "storms" / STORM / "forecast.csv").unlink()
    quiet = runs.Options(print, print, runs.no_progress, pdf=False)
    workspace, fleet, plan = runs.compute_plan(folder, STORM, quiet)
    setting = setting_of(workspace.settings)
    pages = dict(cab_cards(plan, workspace.table("sensitive_areas"), setting, fleet.as_of))
    control = workspace.tables["trucks"].set_index("truck_id")["control"]
    pairs = plan.routes[["truck_id", "route_id"]].drop_duplicates()
    named = {
        (row.truck_id, row.route_id): page
        for row, page in zip(pairs.itertuples(), pages.values(), strict=True)
    }
    return plan, control, named


def test_each_kind_of_control_is_in_the_test(cards):
    _, control, pages = cards
    assert {control[truck] for truck, _ in pages} == {"closed_loop", "open_loop"}


def test_a_closed_loop_card_shows_a_rate_and_never_a_feeder_setting(cards):
    _, control, pages = cards
    for (truck, _), page in pages.items():
        names = re.findall(r"<th>(.*?)</th>", page)
        if control[truck] == "closed_loop":
            assert any("cal. no." in name for name in names)
            assert not any("feeder" in name for name in names)
        else:
            assert any("feeder" in name for name in names)
            assert not any("cal. no." in name for name in names)


def test_a_round_without_treatment_says_so(cards):
    for page in cards[2].values():
        assert "nothing to spread" in page
        assert "no setting can be given" not in page


def test_the_control_of_a_route_does_not_depend_on_its_rate(cards):
    plan, control, _ = cards
    assert (plan.routes["control"] == plan.routes["truck_id"].map(control)).all()
    assert (plan.settings["control"] == plan.settings["truck_id"].map(control)).all()


SAMPLE = Path(__file__).parents[2] / "sample_routes" / "county"
NIGHT = "2026-12-31-year-end-snow"


@pytest.fixture(scope="module")
def night():
    """The plan of a storm in which trucks have two routes, and its cards by truck and route."""
    from spreadplan.reports.cab_card import cab_cards
    from spreadplan.views.setting import setting_of

    quiet = runs.Options(print, print, runs.no_progress, pdf=False)
    workspace, fleet, plan = runs.compute_plan(SAMPLE, NIGHT, quiet)
    setting, areas = setting_of(workspace.settings), workspace.table("sensitive_areas")

    def make(inputs_of: str = "", plan=plan) -> dict[str, str]:
        return dict(cab_cards(plan, areas, setting, fleet.as_of, inputs_of))

    return plan, make


def test_settings_at_other_speeds_say_for_which_application_gate_and_rate_they_are(night):
    """A row of another application or rate is wrong by a third or more."""
    plan, make = night
    card = make()["TC-105_R11"]
    assert re.search(r"Feeder at other speeds <span>· gate 3\sin ·", card)
    rows = re.findall(r'<table class="speeds"><tr><th>(.*?)</th>(.*?)</tr>', card)
    assert len(rows) == 3
    mine = plan.settings[(plan.settings["route_id"] == "R11")]
    for name, cells in rows:
        label, rate = re.fullmatch(r"appl\. (\d)<br><b>(\d+)\slb/lane-mile</b>", name).groups()
        speed, pct = re.search(r'class="plan">(\d+)\smph<br><b>(\d+)\s%', cells).groups()
        found = mine[
            (mine["application"] == label)
            & (mine["achieved_rate_lb_per_lane_mile"].round() == float(rate))
            & (mine["speed_mph"] == float(speed))
        ]
        assert set(found["feeder_pct"]) == {float(pct)}


def test_a_truck_begins_its_second_route_when_it_is_done_with_the_first(night):
    plan, make = night
    cards = make()
    assert "2026-12-31 17:00</span>" in cards["TC-105_R05"]
    minutes = plan.routes.set_index(["route_id", "application"])["minutes"]["R05", "1"]
    assert 78 <= minutes < 79
    assert "<span>about 18:18, after R05</span>" in cards["TC-105_R11"]
    assert "<span>about 23:18, after R05</span>" in cards["TC-105_R11"]


def test_guidance_stands_above_the_settings_and_never_alone_on_a_page(night):
    for card in night[1]().values():
        at = [match.start() for match in re.finditer("Guidance, not an order", card)]
        assert len(at) == card.count("<main")
        assert at[0] < card.index('<table class="keys')


def test_a_card_tells_itself_from_one_that_says_anything_else(night):
    make = night[1]

    def codes(cards: dict[str, str]) -> dict[str, str]:
        return {name: re.search(r"card ([0-9A-F]{4}) ·", page)[1] for name, page in cards.items()}

    first = codes(make("2026-12-30 08:15"))
    assert codes(make("2026-12-30 08:15")) == first
    assert "inputs of 2026-12-30 08:15 ·" in make("2026-12-30 08:15")["TC-105_R05"]
    later = codes(make("2026-12-31 14:00"))
    assert all(later[name] != first[name] for name in first)


def test_a_card_names_the_moment_of_the_last_change_of_its_inputs(tmp_path):
    import os
    from dataclasses import replace

    from spreadplan.runs.planning import inputs_changed, planning_workspace

    folder = tmp_path / "w"
    shutil.copytree(COUNTY, folder)
    workspace = planning_workspace(folder, STORM)
    workspace = replace(workspace, settings=replace(workspace.settings, as_of=None))
    zone = workspace.settings.timezone
    for path in folder.rglob("*"):
        os.utime(path, (1_795_000_000, 1_795_000_000))
    changed = datetime(2026, 11, 27, 5, 45, tzinfo=zone).timestamp()
    os.utime(folder / "storms" / STORM / "forecast.csv", (changed, changed))
    assert inputs_changed(workspace, STORM) == "2026-11-27 05:45"
