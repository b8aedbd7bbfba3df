from __future__ import annotations

import math
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadplan.views.display import KINDS, NOTHING, Display, file_name, file_names

US = Display("us", ZoneInfo("America/Chicago"))
METRIC = Display("metric", ZoneInfo("America/Chicago"))


@pytest.mark.parametrize(
    ("value", "kind", "us", "metric"),
    [
        # 1 lb is 0.45359237 kg, 1 mi is 1.609344 km, 1 short ton is 2,000 lb: by definition
        (250.0, "rate", "250 lb/lane-mile", "70.5 kg/lane-km"),
        (3000.0, "bulk", "1.50 tons", "1.36 t"),
        (25.0, "speed", "25 mph", "40.2 km/h"),
        (3.0, "gate", "3 in", "76 mm"),
        (2.5, "gate", "2.5 in", "64 mm"),
        (-4.0, "temperature", "−4 °F", "−20 °C"),
        (32.0, "temperature", "32 °F", "0 °C"),
        (100.0, "volume", "100 gal", "379 L"),
        (0.05, "water", "0.050 in", "1.3 mm"),
        (12345.6, "mass", "12,346 lb", "5,600 kg"),
        (0.6959, "per_count", "0.6959 lb per count", "0.3157 kg per count"),
    ],
)
def test_quantity_has_its_unit_in_both_systems(value, kind, us, metric):
    assert US.show(value, kind).replace("\u00a0", " ") == us
    assert METRIC.show(value, kind).replace("\u00a0", " ") == metric


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (412.345, 5.123, "412.3 ± 5.1"),
        (412.345, 0.0512, "412.345 ± 0.051"),
        (1234.5, 123.4, "1,230 ± 120"),
        (9.97, 0.0996, "9.970 ± 0.100"),
        (5.0, 0.0, "5 ± 0"),
    ],
)
def test_uncertainty_has_two_digits_and_the_value_as_many_as_it_supports(value, u, shown):
    assert US.number_pm(value, u, "discharge") == shown


def test_uncertainty_of_a_temperature_is_a_difference():
    assert METRIC.number_pm(32.0, 1.8, "temperature") == "0.0 ± 1.0"


def test_missing_value_is_a_dash_without_unit():
    assert US.show(math.nan, "rate") == NOTHING
    assert US.show_range(math.nan, 1.0, "bulk") == NOTHING
    assert US.date(pd.NaT) == NOTHING


def test_times_are_local():
    assert US.moment(pd.Timestamp("2026-12-01T05:30Z")) == "2026-11-30 23:30"


def test_every_kind_converts_and_has_a_label():
    for kind in KINDS:
        for shown in (US, METRIC):
            assert shown.unit(kind)
            assert math.isfinite(shown.value(1.0, kind))


@pytest.mark.slow
@given(st.lists(st.text(max_size=90), unique=True, max_size=12))
def test_file_names_are_safe_and_never_collide(texts):
    names = file_names(texts)
    assert len({name.casefold() for name in names.values()}) == len(texts)
    for name in names.values():
        assert name
        assert len(name) <= 80
        assert all(letter.isascii() and (letter.isalnum() or letter in "-_") for letter in name)


def test_plain_identifiers_keep_their_name_and_others_cannot_leave_the_folder():
    assert file_name("TC-101") == "TC-101"
    assert "/" not in file_name("../../etc/passwd")
    assert "." not in file_name("..")
    assert file_name("con") != "con"
    assert file_names(["t1", "T1"])["T1"].casefold() != "t1"
