"""What a driver reads must be what the truck's control takes, whatever else is on the card."""

from __future__ import annotations

import re
import shutil
from datetime import datetime
from html import unescape
from pathlib import Path

import pytest

from spreadplan import runs

COUNTY = Path(__file__).parents[2] / "tests" / "real_roads" / "workspace"
STORM = "2026-11-27-snow"


@pytest.fixture(scope="module")
def cards(tmp_path_factory):
    """Cards of a storm whose last round treats nothing, for every run."""
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
    named = {
        (row.truck_id, row.route_id, row.application): page
        for row, page in zip(plan.routes.itertuples(), pages.values(), strict=True)
    }
    return plan, control, named


def test_each_kind_of_control_is_in_the_test(cards):
    _, control, pages = cards
    assert {control[truck] for truck, *_ in pages} == {"closed_loop", "open_loop"}


def test_a_closed_loop_card_shows_a_rate_and_never_a_feeder_setting(cards):
    _, control, pages = cards
    for (truck, *_, label), page in pages.items():
        if label == "2":
            continue
        names = re.findall(r"<th>(.*?)</th>", page)
        if control[truck] == "closed_loop":
            assert any("set rate" in name for name in names)
            assert not any("feeder" in name for name in names)
            assert re.search("calibration number in the controller [0-9.]+", page)
        else:
            assert any("set feeder" in name for name in names)
            assert "calibration number" not in page


def test_a_round_without_treatment_says_so(cards):
    for (*_, label), page in cards[2].items():
        assert ("nothing to spread" in page) == (label == "2")
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

    def make(inputs_of: str = "", plan=plan, **more) -> dict[str, str]:
        yards = workspace.table("yards")
        return dict(cab_cards(plan, areas, setting, fleet.as_of, inputs_of, yards=yards, **more))

    return plan, make


def text_of(page: str) -> str:
    """What is read on a card, drawing and all, without its style sheet."""
    body = re.sub(r"<style>.*?</style>|<title>.*?</title>", "", page, flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_settings_at_other_speeds_say_for_which_application_gate_and_rate_they_are(night):
    """A row of another application or rate is wrong by a third or more."""
    plan, make = night
    card = make()["TC-105_R11_1"]
    assert re.search(r"<h2>Application 1 · gate 3\sin: feeder at other speeds", card)
    rows = re.findall(r'<table class="speeds"><tr><th>(.*?)</th>(.*?)</tr>', card)
    assert len(rows) == 2
    mine = plan.settings[plan.settings["route_id"] == "R11"]
    for name, cells in rows:
        rate = re.fullmatch(r"(\d+)\slb/lane-mile", name)[1]
        speed, pct = re.search(r'class="plan">(\d+)\smph<br><b>(\d+)\s%', cells).groups()
        found = mine[
            (mine["application"] == "1")
            & (mine["achieved_rate_lb_per_lane_mile"].round() == float(rate))
            & (mine["speed_mph"] == float(speed))
        ]
        assert set(found["feeder_pct"]) == {float(pct)}


def test_a_card_has_the_times_of_the_trucks_clock_and_the_order_of_its_runs(night):
    plan, make = night
    text = text_of(make()["TC-105_R11_1"])
    clock = plan.clock[(plan.clock["truck_id"] == "TC-105") & (plan.clock["application"] == "1")]
    spread = clock[(clock["activity"] == "spread") & (clock["route_id"] == "R11")]
    end = spread["end"].max().tz_convert("America/Chicago")
    assert re.search(rf"2026-12-31 \d\d:\d\d to {end:%H:%M}", text)
    runs_of_truck = re.search(r"Runs of this truck (.*?) Weather", text)[1]
    assert re.findall(r"(\d) \d\d:\d\d–\d\d:\d\d (R\d\d) appl. (\d)", runs_of_truck) == [
        ("1", "R05", "1"),
        ("2", "R11", "1"),
        ("3", "R05", "2"),
        ("4", "R11", "2"),
    ]
    assert f"{end:%H:%M} R11 appl. 1 · this card" in runs_of_truck


def test_the_strip_names_where_it_begins_what_crosses_and_what_is_guarded(night):
    plan, make = night
    text = text_of(make()["TC-105_R11_1"])
    assert "mi 0 is where the run begins: County Road 9, at State Highway 18." in text
    for name in ("South River Road", "County Road 12", "Sawmill Road", "County Road 14"):
        assert name in text
    assert text.count("S Otter River") == 3
    mine = plan.settings[
        (plan.settings["route_id"] == "R11") & (plan.settings["application"] == "1")
    ]
    dial = mine["feeder_pct"]
    for row in mine[dial != dial.shift()].itertuples():
        assert f"{row.from_mi:.1f}" in text
    assert "Weather light snow, pavement 23.5 °F" in text
    assert "Call: Dispatch 555-0142" in text
    assert "Spread 2 lanes in one pass, 22 ft." in text


def test_a_card_of_an_issued_plan_says_which_and_what_it_replaces(night):
    from spreadplan.reports.cab_card import CardIssue

    make = night[1]
    assert "issue" not in text_of(make()["TC-105_R11_1"])
    second = text_of(make(issue=CardIssue(2, 1))["TC-105_R11_1"])
    assert "· issue 2, replaces the card of issue 1" in second
    first = text_of(make(issue=CardIssue(1))["TC-105_R11_1"])
    assert "· issue 1 Guidance" in first


def test_a_moved_gate_is_said_with_where_and_how(night):
    plan, make = night
    from dataclasses import replace

    routes = plan.routes.copy()
    routes.loc[(routes["route_id"] == "R05"), "gate_in"] = 2.0
    text = text_of(make(plan=replace(plan, routes=routes))["TC-105_R11_1"])
    assert (
        "Gate 3\xa0in for this run, 2\xa0in for other runs of this truck. Move it only at CENTRAL "
        "before you leave, never on the road: engine off, key out, hydraulic pressure off"
    ).replace("\xa0", " ") in text
    assert "Gate 3 in for the whole storm" in text_of(make()["TC-105_R11_1"])


def test_a_driver_writes_down_whom_to_call_where_nobody_is_named(cards):
    assert "Call: ____" in text_of(next(iter(cards[2].values())))


def test_guidance_stands_above_the_settings_of_every_card(night):
    plan, make = night
    made = make()
    assert len(made) == (plan.routes["truck_id"] != "").sum()
    for card in made.values():
        assert card.count("<main") == 1
        at = card.index(
            "Guidance, not an order: drive and spread to the road you see. Not while moving."
        )
        assert at < card.index('<table class="keys')


def test_nothing_on_the_screen_is_a_bright_slab(night):
    """No rule for the screen fills an area with anything but a dark colour."""
    page = next(iter(night[1]().values()))
    style = page[
        page.rindex(
            "@media screen {", 0, page.index("@media screen and (max-width: 720px) {\n  .who")
        ) : page.index("</style>")
    ]
    filled = re.findall(r"background: ([^;]+);", style) + re.findall(
        r'\[fill="#ffffff"\] \{ fill: (#\w+)', style.split(".strip text")[0]
    )
    assert len(filled) >= 4
    for colour in filled:
        light = [int(colour[at : at + 2], 16) for at in (1, 3, 5)] if colour[0] == "#" else [0]
        assert max(light) < 0x60, colour


def test_a_card_tells_itself_from_one_that_says_anything_else(night):
    make = night[1]

    def codes(cards: dict[str, str]) -> dict[str, str]:
        return {name: re.search(r"card ([0-9A-F]{4}) ·", page)[1] for name, page in cards.items()}

    first = codes(make("2026-12-30 08:15"))
    assert codes(make("2026-12-30 08:15")) == first
    assert "inputs of 2026-12-30 08:15 ·" in make("2026-12-30 08:15")["TC-105_R05_1"]
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
