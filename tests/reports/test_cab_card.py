"""What a driver reads must be what the truck's control takes, whatever else is on the card."""

from __future__ import annotations

import re
import shutil
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
    named = {(row.truck_id, row.route_id): page
             for row, page in zip(pairs.itertuples(), pages.values(), strict=True)}  # fmt: skip
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
