import pandas as pd
import pytest

from spreadplan.planning.stock import on_hand, yard_findings, yard_table
from tests.planning.small_county import NAN, START, frame, times

NEEDED = pd.DataFrame(
    {"yard_id": ["Y1", "Y2"], "material": "salt", "mass_lb": 40000.0, "mass_hi_lb": 50000.0}
)


def moved(moment, *rows):
    return times(frame(f"yard_id material {moment} net_lb", *rows), moment)


def counts(*rows):
    return times(frame("yard_id material counted_at on_hand_lb", *rows), "counted_at")


COUNTS = counts(
    ("Y1", "salt", "2026-11-20T12:00Z", 50000.0),
    ("Y1", "salt", "2026-10-01T12:00Z", 90000.0),
    ("Y1", "salt", "2026-12-05T12:00Z", 1.0),
    ("Y1", "sand", "2026-11-25T12:00Z", 7.0),
)
DELIVERIES = moved(
    "delivered_at",
    ("Y1", "salt", "2026-11-19T12:00Z", 1000.0),  # before the count: in it
    ("Y1", "salt", "2026-11-21T12:00Z", 2000.0),
    ("Y1", "salt", "2026-12-02T12:00Z", 4000.0),  # after the storm began
    ("Y1", "sand", "2026-11-21T12:00Z", 8000.0),
    ("Y2", "salt", "2026-11-21T12:00Z", 16000.0),
)
LOADS = moved("loaded_at", ("Y1", "salt", "2026-11-22T12:00Z", 30000.0))
RETURNS = moved("returned_at", ("Y1", "salt", "2026-11-22T18:00Z", 500.0))


def test_stock_is_the_last_count_and_what_moved_since():
    found = on_hand(NEEDED, COUNTS, DELIVERIES, LOADS, RETURNS, START)
    assert found["on_hand_lb"].iloc[0] == 50000 + 2000 - 30000 + 500
    assert found["on_hand_at"].iloc[0] == pd.Timestamp("2026-11-20T12:00Z")
    assert pd.isna(found["on_hand_lb"].iloc[1]), "a delivery alone says nothing of the pile"


def test_without_a_time_all_that_is_known_counts():
    found = on_hand(NEEDED, COUNTS, DELIVERIES, LOADS, RETURNS, pd.NaT)
    assert found["on_hand_lb"].iloc[0] == 1.0


def test_a_count_at_the_very_start_counts():
    same = counts(("Y1", "salt", START.isoformat(), 123.0))
    found = on_hand(NEEDED, same, DELIVERIES, LOADS, RETURNS, START)
    assert found["on_hand_lb"].iloc[0] == 123.0


@pytest.mark.parametrize(
    ("have_lb", "short_ton", "order_ton", "severity"),
    [
        (60000.0, 0.0, 0.0, None),
        (45000.0, 0.0, 2.5, "caution"),
        (30000.0, 5.0, 10.0, "problem"),
        (NAN, NAN, NAN, "caution"),
    ],
)
def test_need_against_stock(have_lb, short_ton, order_ton, severity):
    stock = pd.DataFrame({"on_hand_lb": [have_lb], "on_hand_at": [START]})
    found = yard_table(NEEDED.iloc[:1], stock, {})
    row = found.iloc[0]
    assert list(found.columns[:6]) == [
        "yard_id",
        "material",
        "needed_ton",
        "needed_hi_ton",
        "on_hand_ton",
        "short_ton",
    ]
    assert (row["needed_ton"], row["needed_hi_ton"]) == (20.0, 25.0)
    assert row[["short_ton", "order_ton"]].astype(float).to_numpy() == pytest.approx(
        [short_ton, order_ton], nan_ok=True
    )
    assert [one.severity for one in yard_findings(found)] == ([severity] if severity else [])
