"""Names and money as the workspace wants them said."""

from __future__ import annotations

import dataclasses
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from spreadplan.views.display import Display
from spreadplan.views.setting import setting_of, voice_of
from spreadplan.workspace import read_workspace
from spreadplan.workspace.tomlfiles import Settings, read_settings

TOML = """\
[workspace]
name = "Small County"
units = "metric"
timezone = "UTC"
currency = "NOK"

[storms]
"2026-12-31-year-end-snow" = "The long night"
"elsewhere" = "Nowhere"
"""


def test_names_and_currency_come_from_the_files(tmp_path):
    (tmp_path / "workspace.toml").write_text(TOML)
    (tmp_path / "materials.csv").write_text(
        "material,name,kind\nsalt,Salt from the coast,solid\nsand_mix,,solid\n"
    )
    (tmp_path / "storms" / "2026-12-31-year-end-snow").mkdir(parents=True)
    read = read_workspace(tmp_path, required=["materials"])
    setting = setting_of(read.settings, read.table("materials"))
    assert setting.voice.material("salt") == "Salt from the coast"
    assert setting.voice.material("sand_mix") == "Sand mix"
    assert setting.voice.storm("2026-12-31-year-end-snow") == "The long night, 31 December"
    assert setting.voice.storm("2027-01-02-sleet") == "Sleet, 2 January"
    assert setting.display.money(-1234.4) == "\u22121,234\u00a0NOK"
    assert (setting.paper, setting.display.system) == ("A4", "metric")
    assert [str(one) for one in read.cautions] == [
        "workspace.toml:0:storms.elsewhere: is no folder below storms/; it is ignored; write the "
        "folder's name"
    ]


def test_without_names_and_currency_there_are_usual_ones():
    settings = Settings(name="x", units="us", timezone=ZoneInfo("UTC"))
    voice = voice_of(settings, units="metric")
    assert (voice.display.system, voice.material("road_salt")) == ("metric", "Road salt")
    assert voice.display.money(12.0) == "$12"
    assert voice.display.money(float("nan")) == voice.display.money_range(1.0, float("nan")) == "–"
    assert Display("us", ZoneInfo("UTC"), "€").money_range(-5.0, 7.0) == "\u2212€5 to €7"


@pytest.mark.parametrize("wrong", ['currency = ""', "currency = 3", 'currency = "a whole word"'])
def test_what_is_no_currency_is_named(tmp_path, wrong):
    path = tmp_path / "workspace.toml"
    path.write_text(TOML.replace('currency = "NOK"', wrong))
    _, problems = read_settings(path)
    assert any("no sign or word for money" in one.what and one.fatal for one in problems)


def test_a_setting_is_whole():
    setting = setting_of(
        Settings(name="x", units="us", timezone=ZoneInfo("UTC")),
        pd.DataFrame({"material": ["salt"], "name": ["Fine salt"]}),
    )
    assert dataclasses.replace(setting, paper="A4").voice.material("salt") == "Fine salt"
