"""What one truck put where: nothing is lost and nothing counts twice, whatever the records hold."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.matching.network import Network, build_network
from spreadplan.reconcile.applied import OFF_ROUTE
from spreadplan.reconcile.increments import interval_mass
from spreadplan.reconcile.use import TruckUse, stacked, truck_use
from spreadplan.telemetry.scan import TelemetryFiles, scan_telemetry
from tests.reconcile import three_segments

TRUCKS = ("T1", "T2")


@cache
def network() -> Network:
    table = gpd.read_file(three_segments.routes(), engine="pyogrio")
    return build_network(table.assign(two_way=True))


def scan(folder: Path, pieces: Iterable[pd.DataFrame | str]) -> TelemetryFiles:
    """The records of some files, as `reconcile` reads them."""
    for number, piece in enumerate(pieces):
        text = piece if isinstance(piece, str) else piece.to_csv(index=False)
        (folder / f"{number}.csv").write_text(text)
    return scan_telemetry(folder, trucks=TRUCKS, renames={}, timezone=ZoneInfo("UTC"))


def follow(pieces: Iterable[pd.DataFrame | str]) -> tuple[list[TruckUse], TelemetryFiles, float]:
    """Each truck's use, the files, and the mass of all intervals."""
    uses, mass_lb = [], 0.0
    with tempfile.TemporaryDirectory() as place, scan(Path(place), pieces) as files:
        for records in files.by_truck():
            mass_lb += float(interval_mass(records).mass_lb.sum())
            uses.append(truck_use(network(), records, frozenset({"R1"}), "salt"))
    return uses, files, mass_lb


def masses(uses: list[TruckUse]) -> pd.DataFrame:
    segments = stacked([use.segments for use in uses])
    return segments.sort_values(
        ["truck_id", "route_id", "segment_id", "material"], ignore_index=True
    )


@st.composite
def drives(draw: st.DrawFn, sane: bool = False) -> pd.DataFrame:
    """A truck to and fro on the road and beyond it; unless `sane`, with anything in its columns."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = draw(st.integers(2, 60))
    step_s = rng.choice([1.0, 5.0, 5.0, 30.0, 400.0], size)
    second = np.cumsum(step_s)
    place = np.abs((0.3 + second * rng.uniform(0.0, 0.012)) % 3.2 - 1.6) - 0.1
    lon, lat = three_segments.lon_lat(place)
    noise = draw(st.sampled_from([0.0, 5e-5, 5e-4]))
    moment = three_segments.START + pd.to_timedelta(second, unit="s")
    total = np.cumsum(rng.choice([0.0, 7.5, 20.0, 33.3], size))
    table = pd.DataFrame(
        {
            "truck_id": rng.choice(TRUCKS, size),
            "time": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "lon": lon + rng.normal(0.0, noise, size),
            "lat": lat + rng.normal(0.0, noise, size),
            "speed_mph": rng.choice([0.0, 20.0, 40.0], size),
            "heading_deg": rng.uniform(0, 360, size),
            "spreading": rng.integers(0, 2, size),
            "feed_total_lb": total,
            "material": rng.choice(["salt", "sand", ""], size),
        }
    )
    if sane:
        return table
    table = table.astype({name: object for name in table.columns if name != "truck_id"})
    odd = {
        "feed_total_lb": ["", "0", "99999", "-5", "3.5"],
        "time": ["", "soon", table["time"][0]],
        "lat": ["", "0", "91", "46.02"],
        "speed_mph": ["", "n/a", "500"],
        "spreading": ["", "2"],
        "material": ["brine"],
        "truck_id": ["T9", ""],
    }
    for _ in range(draw(st.integers(0, 8))):
        column = rng.choice(list(odd))
        table.loc[rng.integers(size), column] = rng.choice(odd[column])
    return pd.concat([table, table.sample(rng.integers(0, 3), random_state=1)])


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(drives())
def test_every_row_and_every_pound_is_accounted_for(table: pd.DataFrame):
    uses, files, mass_lb = follow([table])
    refused = files.quarantine()
    points = sum(len(use.points["row"]) for use in uses)
    assert files.rows_read == len(table) == points + len(refused)
    used = [row for use in uses for row in use.points["source_row"].tolist()]
    assert sorted(used + refused["source_row"].tolist()) == list(range(2, len(table) + 2))
    assert (refused["reason"].str.len() > 0).all()
    in_points = sum(float(use.points["mass_lb"].sum()) for use in uses)
    assert in_points == pytest.approx(mass_lb, rel=1e-12, abs=1e-9)
    if uses:
        by_segment = masses(uses)
        assert by_segment["reported_lb"].sum() == pytest.approx(mass_lb, rel=1e-12, abs=1e-9)
        assert (by_segment["reported_lb"] >= 0).all()
        assert (by_segment["standing_lb"] <= by_segment["reported_lb"] + 1e-9).all()
        keys = ["route_id", "segment_id", "material", "truck_id"]
        assert not by_segment.duplicated(keys).any()


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(drives(sane=True), st.randoms(use_true_random=False))
def test_the_same_records_in_other_files_and_another_order_are_the_same_storm(
    table: pd.DataFrame, random
):
    whole, _, _ = follow([table])
    rows = list(range(len(table)))
    random.shuffle(rows)
    cut, overlap = random.randrange(len(rows) + 1), random.randrange(4)
    pieces = [table.iloc[rows[:cut]], table.iloc[rows[max(cut - overlap, 0) :]], table]
    split, files, _ = follow(piece for piece in pieces if len(piece))
    pd.testing.assert_frame_equal(masses(split), masses(whole))
    read = sum(map(len, pieces))
    assert files.rows_read == read
    assert len(files.quarantine()) == read - len(table)


def test_mass_between_two_materials_is_split_where_the_record_says_so():
    table = three_segments.records()
    table["material"] = ["salt"] * 10 + ["sand"] * 17
    uses, _, _ = follow([table])
    found = masses(uses).groupby("material")["reported_lb"].sum()
    # the interval that ends at the record that says sand still carries salt: 10 x 20 lb
    assert found.to_dict() == pytest.approx({"salt": 200.0, "sand": 387.0})


def test_what_is_not_said_is_the_usual_material():
    uses, _, _ = follow([three_segments.records()])
    assert set(masses(uses)["material"]) == {"salt"}


def test_length_driven_and_passes():
    """Driven: 0.02 to 1.22 mi. A quarter of a mile of B whole, A and C but for their ends."""
    (use,), _, _ = follow([three_segments.records()])
    driven = dict(zip(network().segment_id[use.driven["row"]], use.driven["driven_m"], strict=True))
    miles = {name: length / three_segments.MILE_M for name, length in driven.items()}
    assert miles == pytest.approx({"A": 0.48, "B": 0.25, "C": 0.47}, abs=1e-3)
    assert use.heard_share == pytest.approx(1.0)


def test_a_way_driven_with_the_spreader_off_is_no_pass():
    table = three_segments.records().assign(feed_total_lb=1000.0, spreading=0)
    (use,), _, mass_lb = follow([table])
    assert mass_lb == 0.0
    assert len(use.driven["row"]) == 3
    assert use.segments["passes"].sum() == 0.0


def test_a_silence_is_a_part_of_the_way_that_was_not_heard():
    table = three_segments.records()
    later = pd.to_datetime(table["time"]) + pd.to_timedelta([0] * 10 + [900] * 17, unit="s")
    table["time"] = later.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    (use,), _, _ = follow([table])
    # 0.05 of the 1.20 miles between the first and the last record were driven in silence
    assert use.heard_share == pytest.approx(1.0 - 0.05 / 1.20, abs=1e-3)


def test_far_from_every_road_all_mass_is_off_route():
    table = three_segments.records().assign(lat=46.5)
    (use,), _, _ = follow([table])
    assert use.segments["segment_id"].tolist() == [OFF_ROUTE]
    assert use.segments["reported_lb"].sum() == pytest.approx(587.0)
    assert (use.points["row"] == -1).all()
