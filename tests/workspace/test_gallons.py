"""Stock, deliveries and tickets of liquids in gallons: masses by the liquid's density."""

import pytest

from spreadplan.errors import BadInput
from spreadplan.workspace import read_workspace
from spreadplan.workspace.starter import starter_files

MATERIALS = "material,kind,density_lb_gal\nroad_salt,solid,\nsalt_brine,liquid,9.83\n"
LOADS = (
    "ticket_id,truck_id,yard_id,loaded_at,material,net_lb,net_gal\n"
    "L1,T1,Y1,2026-10-01T04:10,salt_brine,,1000\n"
    "L2,T1,Y1,2026-10-01T05:10,road_salt,13800,\n"
)


def read(folder, **files):
    start = starter_files("2026-10-01", "2027-04-15")
    given = {"materials.csv": MATERIALS} | files
    for name in ("workspace.toml", "trucks.csv", "yards.csv"):
        (folder / name).write_text(start[name])
    for name, text in given.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return read_workspace(
        folder,
        required=["trucks", "materials", "yards"],
        optional=["stock_counts", "deliveries"],
        storms={"one": ("loads", "returns")} if "storms/one/loads.csv" in given else None,
    )


def test_gallons_become_pounds(tmp_path):
    found = read(tmp_path, **{"storms/one/loads.csv": LOADS}).table("loads", "one")
    assert found["net_lb"].tolist() == [9830.0, 13800.0]


@pytest.mark.parametrize(
    ("table", "column", "text"),
    [
        ("stock_counts", "on_hand_lb", "yard_id,material,counted_at,on_hand_{}"),
        ("deliveries", "net_lb", "ticket_id,yard_id,material,delivered_at,net_{}"),
    ],
)
@pytest.mark.parametrize(("unit", "amount"), [("gal", 1000), ("l", 3785.411784)])
def test_stock_and_deliveries(tmp_path, table, column, text, unit, amount):
    ticket = "N1," if table == "deliveries" else ""
    rows = f"{text.format(unit)}\n{ticket}Y1,salt_brine,2026-10-01,{amount}\n"
    assert read(tmp_path, **{f"{table}.csv": rows}).table(table)[column].tolist() == pytest.approx(
        [9830.0]
    )


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("L1,T1,Y1,2026-10-01T04:10,road_salt,,1000", '"road_salt" is no liquid'),
        ("L1,T1,Y1,2026-10-01T04:10,salt_brine,500,1000", "as a mass and as a volume"),
        ("L1,T1,Y1,2026-10-01T04:10,salt_brine,,-5", "-5 is not possible"),
    ],
)
def test_amounts_that_say_nothing_are_refused(tmp_path, row, said):
    head = LOADS.splitlines()[0]
    with pytest.raises(BadInput) as caught:
        read(tmp_path, **{"storms/one/loads.csv": f"{head}\n{LOADS.splitlines()[2]}\n{row}\n"})
    fatal = [str(one) for one in caught.value.problems if one.fatal]
    assert any(said in one and "loads.csv:3" in one for one in fatal), fatal


def test_an_empty_amount_is_named_with_its_row(tmp_path):
    text = LOADS + "L3,T1,Y1,2026-10-01T06:10,salt_brine,,\n"
    with pytest.raises(BadInput) as caught:
        read(tmp_path, **{"storms/one/loads.csv": text})
    assert any("loads.csv:4" in str(one) for one in caught.value.problems)


def test_no_amount_at_all_is_a_missing_column(tmp_path):
    text = "yard_id,material,counted_at\nY1,salt_brine,2026-10-01\n"
    with pytest.raises(BadInput) as caught:
        read(tmp_path, **{"stock_counts.csv": text})
    (problem,) = [one for one in caught.value.problems if one.fatal]
    assert "stock_counts.csv:1:on_hand: column is missing" in str(problem)
