"""Tickets as they are: buckets that weighed tickets teach, masses with a moisture of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan.buckets import BUCKET_U, FILL_U, HABIT_U, USUAL_BUCKET_FT3, bucket_table
from spreadplan.reconcile.balance import stock_balance
from spreadplan.reconcile.tickets import METHOD_U, relative_u, storm_tickets
from spreadplan.runs.reconciling import no_rows, using_workspace
from spreadplan.workspace import Workspace
from tests.reconcile import three_segments

LOADS = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb,method,buckets\n"
DENSE = "material,kind,cost_per_ton,bulk_density_lb_ft3,moisture_pct\nsalt,solid,80,75,2\n"


def ticket(number: int, net: object, method: str, buckets: object, yard: str = "Y1") -> str:
    return f"L{number},T1,{yard},2026-12-01T09:{number:02d}Z,salt,{net},{method},{buckets}\n"


def read(tmp_path: Path, **changes: str) -> Workspace:
    content = three_segments.files() | {"materials.csv": DENSE} | changes
    content["yards.csv"] = "yard_id,lon,lat\nY1,-94,46\nY2,-94.1,46\n"
    return using_workspace(three_segments.write(tmp_path / "w", content))


def loads(tmp_path: Path, *rows: str) -> tuple[pd.DataFrame, list[str]]:
    found = read(tmp_path, **{"storms/s1/loads.csv": LOADS + "".join(rows)})
    said = [str(one) for one in found.cautions if "bucket" in one.what]
    return found.table("loads", "s1"), said


def test_weighed_tickets_teach_what_a_bucket_holds(tmp_path: Path):
    weighed = [ticket(n, 4000 * n + 40 * (-1) ** n, "scale", n) for n in (1, 2, 3, 4)]
    table, said = loads(tmp_path, *weighed, ticket(5, "", "", 2.5))
    filled = table.iloc[4]
    # 40,000 lb in 10 buckets; what was thought before draws it by less than a tenth of a percent
    assert filled["net_lb"] == pytest.approx(2.5 * 4000.0, rel=2e-3)
    assert filled["method"] == "bucket_count"
    apart = 4 * FILL_U**2 + sum(
        n * (1 - (4000 * n + 40 * (-1) ** n) / (4000 * n)) ** 2 for n in (1, 2, 3, 4)
    )
    fill = np.sqrt(apart / 7.0)
    assert filled["bucket_own_u"] == pytest.approx(fill / np.sqrt(2.5), rel=1e-3)
    own = fill / np.sqrt(10.0)
    common = np.hypot(own * BUCKET_U / np.hypot(own, BUCKET_U), HABIT_U)
    assert filled["bucket_common_u"] == pytest.approx(common, rel=1e-3)
    assert table["bucket_common_u"].iloc[:4].isna().all()
    assert said == []


def test_where_nothing_is_known_a_bucket_is_assumed_and_it_is_said(tmp_path: Path):
    table, said = loads(tmp_path, ticket(1, "", "", 3), ticket(2, "", "bucket_count", 2))
    assert table["net_lb"].tolist() == pytest.approx(
        [3 * USUAL_BUCKET_FT3 * 75, 2 * USUAL_BUCKET_FT3 * 75]
    )
    assert table["bucket_common_u"].tolist() == [BUCKET_U] * 2
    (caution,) = said
    assert "loads.csv:2:buckets: 2 tickets" in caution
    assert (
        "4,050 lb (1,837 kg) is taken, as a bucket of 2 cubic yards, known to about 60 %" in caution
    )


def test_few_tickets_and_other_yards_count_for_what_they_are(tmp_path: Path):
    rows = [ticket(n, 3000 * 3, "loader_scale", 3, "Y2") for n in (1, 2, 3)]
    counted = ticket(5, "", "", 1), ticket(6, "", "", 1, "Y2")
    table, said = loads(tmp_path, *rows, ticket(4, 5200, "scale", 1), *counted)
    known = bucket_table(table, {"salt": 75.0}).set_index("yard_id")
    assert known["known"].to_dict() == {"Y1": "few", "Y2": "yard"}
    # one bucket weighed, known to FILL_U, beside BUCKET_U of the other yard's 3,000 lb
    weight = BUCKET_U**2 / (BUCKET_U**2 + FILL_U**2)
    expected = np.exp(weight * np.log(5200) + (1 - weight) * np.log(3000))
    assert table["net_lb"].iloc[4] == pytest.approx(expected, rel=1e-6)
    assert table["net_lb"].iloc[5] == pytest.approx(3000.0, rel=0.02)
    assert said == []
    alone, said = loads(tmp_path / "2", *rows, ticket(5, "", "", 1))
    assert alone["net_lb"].iloc[3] == pytest.approx(3000.0)
    assert "as in other yards" in said[0]


def test_a_mass_that_was_reckoned_from_the_buckets_teaches_nothing(tmp_path: Path):
    reckoned = [ticket(n, 5000 * n, "", n) for n in (1, 2, 3)]
    table, said = loads(tmp_path, *reckoned, ticket(4, "", "", 2))
    assert table["net_lb"].iloc[3] == pytest.approx(2 * USUAL_BUCKET_FT3 * 75)
    assert len(said) == 1
    counted = [ticket(n, 5000 * n + n, "bucket_count", n) for n in (1, 2, 3)]
    assert len(loads(tmp_path / "2", *counted, ticket(4, "", "", 2))[1]) == 1


def test_each_method_has_its_own_uncertainty(tmp_path: Path):
    names = ("scale", "loader_scale", "bucket_count", "estimate")
    table, _ = loads(tmp_path, *(ticket(n, 9000 + n, name, "") for n, name in enumerate(names)))
    found = relative_u(table)
    assert list(zip(found["common"], found["own"], strict=True)) == [METHOD_U[one] for one in names]
    weighed = [ticket(n, 4000 * n + 40 * (-1) ** n, "scale", n) for n in (1, 2, 3, 4)]
    taught, _ = loads(tmp_path / "2", *weighed, ticket(5, "", "", 3))
    # the yard's own buckets are known better than any
    assert relative_u(taught)["common"].iloc[4] < METHOD_U["bucket_count"][0]


def test_what_buckets_leave_open_stays_with_the_truck_and_the_pile(tmp_path: Path):
    table, _ = loads(tmp_path, *(ticket(n, "", "", 3) for n in range(1, 9)))
    reported = pd.DataFrame(
        {"storm": ["s1"], "truck_id": "T1", "material": "salt", "reported_lb": 90_000.0}
    )
    none = table.iloc[:0].rename(columns={"loaded_at": "returned_at"}).assign(storm="s1")
    row = storm_tickets(reported, table.assign(storm="s1"), none).iloc[0]
    assert row["method_u"] == pytest.approx(BUCKET_U)
    start = pd.Timestamp("2026-12-01T00:00Z")
    piles = pd.DataFrame({"yard_id": ["Y1"], "material": "salt", "counted_at": start})
    piles = piles.assign(on_hand_lb=1e6, on_hand_u_lb=0.0)
    delivered = no_rows(["yard_id", "material"], ["net_lb"])
    delivered["delivered_at"] = pd.Series([], dtype="datetime64[ns, UTC]")
    books = stock_balance(piles, delivered, table, none, start, start + pd.Timedelta(days=1)).iloc[
        0
    ]
    loaded = 8 * 3 * 4050 / 2000
    assert books["loaded_ton"] == pytest.approx(loaded)
    # what one bucket holds is wrong by the same share in all of them
    assert books["expected_u_ton"] == pytest.approx(BUCKET_U * loaded, rel=0.02)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (ticket(1, "", "scale", ""), "loads.csv:2:net: is empty"),
        (ticket(1, "", "", 0), "loads.csv:2:buckets: 0 is not possible"),
        (ticket(1, "", "", -3), "loads.csv:2:buckets: -3 is not possible"),
        (ticket(1, "", "", "three"), 'loads.csv:2:buckets: "three" is not a number'),
        (ticket(1, "", "", "1e6"), "loads.csv:2:buckets: 1e6 is not possible"),
        (ticket(1, "900", "guess", 1), 'loads.csv:2:method: "guess" is not known'),
    ],
)
def test_a_ticket_that_cannot_be_is_one_clear_line(tmp_path: Path, row: str, said: str):
    from spreadplan.errors import BadInput

    with pytest.raises(BadInput) as error:
        loads(tmp_path, row)
    fatal = [str(one) for one in error.value.problems if one.fatal]
    assert len([one for one in fatal if said in one]) == 1, fatal


def test_masses_are_brought_to_the_moisture_of_the_material(tmp_path: Path):
    found = read(
        tmp_path,
        **{
            "deliveries.csv": "ticket_id,yard_id,material,delivered_at,net_ton,moisture_pct\n"
            "N1,Y1,salt,2026-11-05,100,6\nN2,Y1,salt,2026-11-06,100,\nN3,Y1,salt,2026-11-07,100,2\n",
            "stock_counts.csv": "yard_id,material,counted_at,on_hand_ton,on_hand_u_ton,"
            "moisture_pct\nY1,salt,2026-11-01,500,50,4\n",
        },
    )
    # 94 t of dry salt in 100 t; with 2 % of water they weigh 94 / 0.98
    wet = found.table("deliveries")["net_lb"] / 2000.0
    assert wet.tolist() == pytest.approx([94 / 0.98, 100.0, 100.0])
    pile = found.table("stock_counts").iloc[0]
    assert pile["on_hand_lb"] / 2000.0 == pytest.approx(500 * 96 / 98)
    assert pile["on_hand_u_lb"] / 2000.0 == pytest.approx(50 * 96 / 98)


def test_without_the_materials_own_moisture_it_is_said_and_nothing_changes(tmp_path: Path):
    deliveries = {
        "deliveries.csv": "ticket_id,yard_id,material,delivered_at,net_ton,moisture_pct\n"
        "N1,Y1,salt,2026-11-05,100,6\nN2,Y1,salt,2026-11-06,100,5\n",
        "materials.csv": "material,kind,cost_per_ton\nsalt,solid,80\n",
    }
    found = read(tmp_path, **deliveries)
    assert (found.table("deliveries")["net_lb"] == 200_000.0).all()
    said = [str(one) for one in found.cautions if "moisture" in one.what]
    assert len(said) == 1
    assert said[0].startswith("deliveries.csv:2:moisture_pct: cannot be used")
