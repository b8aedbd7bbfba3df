"""Mass of a test and its uncertainty; expected figures worked out by hand."""

import numpy as np
import pytest

from spreadplan.calibration.weighing import weigh
from tests.calibration import builders


def weighed(*rows: dict):
    return weigh(builders.weighings(*rows)).loc["A"]


def test_containers_add_up():
    mass = weighed(
        {"method": "container", "gross_lb": 52.0, "tare_lb": 4.0},
        {"method": "container", "gross_lb": 50.0, "tare_lb": 4.0},
    )
    assert mass["net_lb"] == 94.0
    assert mass["containers"] == 2
    assert mass["method"] == "container"
    # Four readings of one division, rectangular: sqrt(4 / 12).
    assert mass["net_u_lb"] == pytest.approx(0.5773502691896258)


def test_equal_containers_multiply_net_and_reading_error():
    mass = weighed({"method": "container", "gross_lb": 54.0, "tare_lb": 4.0, "count": 5})
    assert mass["net_lb"] == 250.0
    assert mass["u_scale_lb"] == pytest.approx(5.0 / np.sqrt(6.0))
    # 2 % of 50 lb = 1 lb between containers, sqrt(5 * 4) of it.
    assert mass["u_fill_lb"] == pytest.approx(np.sqrt(20.0))
    assert mass["net_u_lb"] == pytest.approx(np.sqrt(25.0 / 6.0 + 20.0))


def test_equal_container_count_is_less_certain_than_weighing_one_by_one():
    row = {"method": "container", "gross_lb": 54.0, "tare_lb": 4.0}
    counted = weighed(row | {"count": 5})
    one_by_one = weighed(*[row] * 5)
    assert counted["net_lb"] == one_by_one["net_lb"]
    assert counted["net_u_lb"] > 2.0 * one_by_one["net_u_lb"]


def test_spread_between_containers_is_learnt_from_those_weighed_one_by_one():
    singles = [
        {"method": "container", "gross_lb": gross, "tare_lb": 0.0} for gross in (48.0, 50.0, 52.0)
    ]
    mass = weighed(*singles, {"method": "container", "gross_lb": 50.0, "tare_lb": 0.0, "count": 3})
    # Standard deviation 2 of mean 50 is 4 %: 2 lb per container, sqrt(3 * 2) of it.
    assert mass["u_fill_lb"] == pytest.approx(2.0 * np.sqrt(6.0))
    assert mass["net_lb"] == 300.0


def test_two_containers_are_too_few_to_learn_their_spread_from():
    singles = [{"method": "container", "gross_lb": gross, "tare_lb": 0.0} for gross in (40.0, 60.0)]
    mass = weighed(*singles, {"method": "container", "gross_lb": 50.0, "tare_lb": 0.0, "count": 3})
    assert mass["u_fill_lb"] == pytest.approx(1.0 * np.sqrt(6.0))


def test_vehicle_scale_takes_before_minus_after():
    mass = weighed(
        {
            "method": "vehicle_scale",
            "gross_lb": 41240.0,
            "tare_lb": 40980.0,
            "scale_division_lb": 20.0,
        }
    )
    assert mass["net_lb"] == 260.0
    assert mass["net_u_lb"] == pytest.approx(20.0 / np.sqrt(6.0))


def test_vehicle_weighed_once_has_no_mass():
    mass = weighed({"method": "vehicle_scale", "gross_lb": 41240.0})
    assert np.isnan(mass["net_lb"])


def test_one_unusable_row_spoils_the_sum():
    mass = weighed({"gross_lb": 100.0}, {"method": "vehicle_scale", "gross_lb": 41240.0})
    assert np.isnan(mass["net_lb"])
    assert mass["method"] == "mixed"


def test_direct_scale_without_tare_has_one_reading():
    mass = weighed({"method": "direct", "gross_lb": 300.0, "scale_division_lb": 2.0})
    assert mass["net_lb"] == 300.0
    assert mass["net_u_lb"] == pytest.approx(2.0 / np.sqrt(12.0))


@pytest.mark.parametrize(
    ("method", "division_lb"), [("container", 1.0), ("direct", 1.0), ("vehicle_scale", 20.0)]
)
def test_missing_division_is_assumed_and_said(method: str, division_lb: float):
    mass = weighed({"method": method, "tare_lb": 5.0, "scale_division_lb": np.nan})
    assert mass["division_assumed"]
    assert mass["division_lb"] == division_lb
    assert mass["u_scale_lb"] == pytest.approx(division_lb / np.sqrt(6.0))


def test_given_division_is_not_called_assumed():
    assert not weighed({"scale_division_lb": 0.5})["division_assumed"]


def test_tests_are_kept_apart():
    both = weigh(builders.weighings({"gross_lb": 100.0}, {"test_id": "B", "gross_lb": 7.0}))
    assert both["net_lb"].to_dict() == {"A": 100.0, "B": 7.0}


def test_no_weighings_at_all():
    assert weigh(builders.weighings()).empty
