import numpy as np
import pytest

from tests.calibration.liquid_builders import catches, judged, liquid_tests


def nozzles(*gallons, division=0.01, duration_u_s=0.0):
    caught = catches(
        *(
            {"nozzle": str(number), "volume_gal": one, "scale_division_gal": division}
            for number, one in enumerate(gallons, 1)
        )
    )
    _, found, _ = judged(liquid_tests({"duration_u_s": duration_u_s}), caught)
    return found


def test_shares_add_up():
    found = nozzles(2.0, 2.1, 1.9, 2.0)
    assert found["share"].sum() == pytest.approx(1.0)
    assert found["share"].iloc[1] == pytest.approx(2.1 / 8.0)
    assert set(found["verdict"]) == {"even"}


def test_a_clogged_nozzle_does_not_make_the_others_look_worn():
    """The mean of four is 1.5: against it the three sound ones are 33 % above."""
    assert nozzles(2.0, 2.0, 2.0, 0.0)["verdict"].tolist() == ["even", "even", "even", "clogged"]


def test_a_worn_nozzle():
    assert nozzles(2.0, 2.0, 2.0, 2.0, 2.6)["verdict"].tolist()[-1] == "worn"


def test_a_coarse_container_shows_nothing():
    """12 % too little, read to half a gallon on two: nobody knows."""
    assert nozzles(2.0, 2.0, 2.0, 1.76, division=0.5)["verdict"].iloc[-1] == "not_shown"
    assert nozzles(2.0, 2.0, 2.0, 1.60, division=0.01)["verdict"].iloc[-1] == "clogged"


def test_at_the_edge_of_the_tolerance_nothing_is_said():
    assert nozzles(2.0, 2.0, 2.0, 1.81)["verdict"].iloc[-1] == "not_shown"


def test_of_two_nozzles_nobody_knows_which():
    found = nozzles(2.0, 1.0)
    assert found["verdict"].tolist() == ["not_shown", "not_shown"]


def test_all_dry():
    found = nozzles(0.0, 0.0, 0.0)
    assert found["verdict"].tolist() == ["not_shown"] * 3
    assert np.isnan(found["share"]).all()


def test_catches_of_one_nozzle_add_up():
    caught = catches(
        {"nozzle": "1", "volume_gal": 1.0},
        {"nozzle": "1", "volume_gal": 1.0},
        {"nozzle": "2", "volume_gal": 2.0},
        {"nozzle": "3", "volume_gal": 2.0},
    )
    _, found, _ = judged(liquid_tests({}), caught)
    assert found["flow_gal_per_min"].tolist() == [2.0, 2.0, 2.0]


def test_sound_nozzles_are_rarely_called_clogged_or_worn():
    """2 % scatter, 8 nozzles, 60 tests: the tolerance of 10 % is five of it away."""
    rng = np.random.default_rng(3)
    called = [nozzles(*(2.0 * (1.0 + 0.02 * rng.normal(size=8))))["verdict"] for _ in range(60)]
    wrong = sum(one.isin(["clogged", "worn"]).sum() for one in called)
    assert wrong == 0
