"""Transport Scotland, Scottish Road Network: Lessons learned from the severe weather winter
2009/10, 2010, appendix D, Revised Salt Treatment Matrix: its fourteen rows as read, entered in
`policy.toml`, read back, and each found by a storm that states its conditions and by no other.

Note 1 of the source: prewetted rates are salt and brine together (70:30 by weight).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest

from spreadplan.planning.applications import applications_of, conditions_of, labelled_forecast
from spreadplan.planning.policy_rows import policy_rows
from spreadplan.planning.rates import policy_rate
from tests.planning.small_county import no_rates
from tests.said import US
from tests.workspace.test_bad_input import read


class Row(NamedTuple):
    """A row of the matrix; temperatures of the road in °C, depths in mm, rates in g/m²."""

    number: int
    condition: str
    warmest: float | None
    coldest: float | None
    surface: str
    dry: int | None
    prewet: int | None
    treatments: int | str | None
    plow: bool = False
    depth: tuple[float | None, float | None] = (None, None)
    action: str = ""


FROST, SNOW_TO_COME = "frost or ice", "medium or heavy snow, or freezing rain forecast"
PACKED = "hard packed snow or ice"
MATRIX = (
    Row(1, FROST, None, -2, "any", 8, 8, 1),
    Row(2, FROST, -2, -5, "dry or damp", 10, 9, 1),
    Row(3, FROST, -2, -5, "wet", 16, 15, 1),
    Row(4, FROST, -5, -10, "dry or damp", 18, 18, 1),
    Row(5, FROST, -5, -10, "wet", 15, 15, 2),
    Row(6, "light snow forecast", None, None, "any", 20, 18, 1, depth=(None, 10)),
    Row(7, SNOW_TO_COME, None, None, "any", 20, 20, 2),
    Row(8, "freezing rain falling", None, None, "any", 20, None, "successive"),
    Row(9, "after freezing rain", None, None, "any", 20, None, 1),
    Row(10, "ice formed", None, -5, "any", 20, None, 1),
    Row(11, "ice formed", -5, None, "any", 20, None, 2),
    Row(12, "snow", None, None, "any", 20, None, "successive", plow=True, depth=(30, None)),
    Row(13, PACKED, None, -8, "any", 20, None, "successive"),
    Row(14, PACKED, -8, None, "any", None, None, None, action="salt and abrasive"),
)
WETTED = ("dry", "prewet")


def entered(row: Row) -> str:
    """The row as one ``[[rate]]`` for each of its rates, or for its action."""
    common = [f'event = "{row.condition}"', 'material = "*"', f'source = "row {row.number}"']
    if row.warmest is not None:
        common.append(f"pavement_temp_max_c = {row.warmest}")
    if row.coldest is not None:
        common.append(f"pavement_temp_min_c = {row.coldest}")
    if row.surface != "any":
        common.append(f"surface = {row.surface.split(' or ')}")
    if row.treatments is not None:
        common.append(f"treatments = {row.treatments!r}")
    if row.plow:
        common.append("plow = true")
    for name, depth in zip(("min", "max"), row.depth, strict=True):
        if depth is not None:
            common.append(f"snow_depth_{name}_mm = {depth}")
    if row.action:
        return "\n".join(["[[rate]]", *common, f'action = "{row.action}"', ""])
    return "".join(
        "\n".join(["[[rate]]", *common, f'wetting = "{wetting}"', f"rate_g_per_m2 = {rate}"])
        + ("\nwetting_included = true\n" if wetting == "prewet" else "\n")
        for wetting in WETTED
        if (rate := getattr(row, wetting)) is not None
    )


POLICY = "\n".join(map(entered, MATRIX))


def _celsius(limit_f: float) -> float | None:
    return round((limit_f - 32) / 1.8, 6) if math.isfinite(limit_f) else None


def _mm(depth_in: float) -> float | None:
    return None if math.isnan(depth_in) else round(depth_in * 25.4, 6)


def got_back(rates) -> tuple[Row, ...]:
    """The matrix from the parsed policy."""
    rows: dict[int, Row] = {}
    for line in rates.itertuples():
        number = int(line.source.removeprefix("row "))
        before = rows.get(number)
        count = line.treatments
        rate = {} if line.action else {line.wetting[0]: int(line.rate_low_g_per_m2)}
        assert line.wetting_included == ("prewet" in line.wetting)
        rows[number] = Row(
            number,
            line.event,
            _celsius(line.pavement_temp_max_f),
            _celsius(line.pavement_temp_min_f),
            " or ".join(line.surface) or "any",
            rate.get("dry", before and before.dry),
            rate.get("prewet", before and before.prewet),
            None if math.isnan(count) else "successive" if math.isinf(count) else int(count),
            line.plow is True,
            (_mm(line.snow_depth_min_in), _mm(line.snow_depth_max_in)),
            line.action,
        )
    return tuple(rows.values())


def test_the_matrix_comes_back_as_it_was_entered(workspace):
    assert got_back(read(workspace({"policy.toml": POLICY})).policy.rates) == MATRIX


#: Storms: what the forecast states (°C, surface, mm of snow, plowing), the row meant.
STORMS = [
    (FROST, -1, "dry", "", "", 1),
    (FROST, -1, "wet", "", "", 1),
    (FROST, -3, "damp", "", "", 2),
    (FROST, -3, "wet", "", "", 3),
    (FROST, -7, "dry", "", "", 4),
    (FROST, -7, "wet", "", "", 5),
    ("light snow forecast", -3, "wet", 9, "no", 6),
    ("light snow forecast", -3, "", 10, "", 6),
    (SNOW_TO_COME, -3, "dry", 60, "", 7),
    ("freezing rain falling", -1, "ice", "", "", 8),
    ("after freezing rain", -1, "ice", "", "", 9),
    ("ice formed", -3, "ice", "", "", 10),
    ("ice formed", -6, "ice", "", "", 11),
    ("snow", -3, "snow", 31, "yes", 12),
    (PACKED, -6, "packed", "", "yes", 13),
    (PACKED, -9, "packed", "", "", 14),
    # at a border the colder row holds
    (FROST, -2, "dry", "", "", 2),
    (FROST, -5, "wet", "", "", 5),
    # what a row names must be stated, and met
    (FROST, -3, "", "", "", None),
    (FROST, -3, "snow", "", "", None),
    (FROST, -11, "wet", "", "", None),
    ("light snow forecast", -3, "wet", "", "", None),
    ("light snow forecast", -3, "wet", 11, "", None),
    ("snow", -3, "snow", 30, "yes", None),
    ("snow", -3, "snow", 31, "no", None),
    ("snow", -3, "snow", 31, "", None),
    ("drizzle", -3, "wet", "", "", None),
]


def conditions(workspace, rounds, policy=POLICY):
    """The policy, and the weather of each round as forecast.csv states it."""
    head = "zone,start,end,event,pavement_temp_c,surface,snow_depth_mm,plow\n"
    lines = [
        f'*,2026-12-01T{hour:02}:00,2026-12-01T{hour + 1:02}:00,"{event}",{temp},{on},{snow},{plow}'
        for hour, (event, temp, on, snow, plow) in enumerate(rounds)
    ]
    found = read(
        workspace({"policy.toml": policy, "storms/s1/forecast.csv": head + "\n".join(lines) + "\n"})
    )
    forecast = labelled_forecast(found.storms["s1"]["forecast"])
    applications = applications_of(forecast, no_rates())
    weather, findings = conditions_of(forecast, [""], applications)
    assert findings == []
    return found.policy.rates, [weather["", one.label] for one in applications]


@pytest.mark.parametrize("storm", STORMS, ids=str)
def test_a_row_is_found_by_a_storm_that_states_its_conditions(workspace, storm):
    *stated, number = storm
    rates, (weather,) = conditions(workspace, [stated])
    meant = next((row for row in MATRIX if row.number == number), None)
    for wetting in WETTED:
        wanted = meant and (meant.action or getattr(meant, wetting))
        held = policy_rows(rates.itertuples(), weather, "", "salt", "initial", (wetting,))
        assert [row.source for row in held] == ([f"row {number}"] if wanted else [])
        rate, findings = policy_rate(
            rates.itertuples(), weather, "", "salt", "initial", "middle", (wetting,)
        )
        assert findings == []
        if meant and not meant.action and wanted:
            assert rate.g_per_m2 == wanted
            assert rate.wetting == ((wetting,) if getattr(meant, wetting) else ("dry",))
        else:
            assert math.isnan(rate.g_per_m2)
            assert US.say_all(rate.note).startswith("no rate: ")


@pytest.mark.parametrize(
    ("event", "temp", "surface", "held"),
    [
        (FROST, -3, "wet", [3, None, None]),  # one treatment
        (FROST, -7, "wet", [5, 5, None]),  # two treatments
        ("freezing rain falling", -1, "ice", [8, 8, 8]),  # successive treatments
    ],
)
def test_a_row_holds_for_as_many_treatments_as_it_asks_for(workspace, event, temp, surface, held):
    # a round of another event before them is none of this event's treatments
    rounds = [("drizzle", 1, "wet", "", "")] + 3 * [(event, temp, surface, "", "")]
    rates, weather = conditions(workspace, rounds)
    found = [policy_rows(rates.itertuples(), one, "", "salt", "initial") for one in weather[1:]]
    assert [rows[0].source if rows else None for rows in found] == [
        number and f"row {number}" for number in held
    ]


def test_what_a_storm_does_not_state_is_said(workspace):
    rates, weather = conditions(
        workspace, [(FROST, -3, "", "", ""), ("snow", -3, "snow", "", ""), (PACKED, -9, "", "", "")]
    )
    said = [
        US.say_all(policy_rate(rates.itertuples(), one, "", "salt", "initial", "low")[0].note)
        for one in weather
    ]
    assert said[0].endswith("; rows name a surface, the forecast none")
    assert "rows name a depth of snow, the forecast none" in said[1]
    assert "rows name plowing, the forecast does not say" in said[1]
    assert said[2] == "no rate: policy row 21 gives none and says: salt and abrasive (row 14)"


def test_a_row_that_has_been_used_up_leaves_the_event_to_a_wider_one(workspace):
    """After its one treatment the row for wet frost no longer stands before one for all events."""
    wider = '[[rate]]\nevent = "*"\nmaterial = "*"\nrate_g_per_m2 = 5\nsource = "any"\nphase = ""\n'
    rates, weather = conditions(workspace, 2 * [(FROST, -3, "wet", "", "")], POLICY + wider)
    said = []
    for one in weather:
        rate, _ = policy_rate(rates.itertuples(), one, "", "salt", "initial", "low", ("dry",))
        said.append(rate.g_per_m2)
    assert said == [16, 5]
    rates, weather = conditions(workspace, 2 * [(FROST, -3, "wet", "", "")])
    rate, _ = policy_rate(rates.itertuples(), weather[1], "", "salt", "initial", "low", ("dry",))
    assert US.say_all(rate.note).endswith("no row for treatment 2 of this event")
