"""Which truck treats which route: for every storm, or for one storm from a round of it on.

A table of assignments has one row a route, and perhaps further ones of the storm itself. Those name
the round (application) from which they hold, "" for the first; of several that hold in a round the
one that began last counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.remarks import Finding, remark

FROM = "from_application"


def with_own(general: pd.DataFrame, own: pd.DataFrame) -> pd.DataFrame:
    """The assignments of a storm: those of all storms, then the storm's own.

    Parameters
    ----------
    general, own : route_id, truck_id, yard_id, material, prewet_gal_per_ton; ``own`` with
        `FROM` too. A route that the storm assigns from its first round on loses its general row.

    Returns
    -------
    The columns of ``general``; where the storm has rows of its own `FROM` too, and ``own``, which
    tells them apart.
    """
    if own.empty:
        return general
    whole = own.loc[own[FROM] == "", "route_id"]
    kept = general[~general["route_id"].isin(whole)].assign(own=False, **{FROM: ""})
    return pd.concat([kept, own.assign(own=True)[kept.columns]], ignore_index=True)


def in_round(assignments: pd.DataFrame, label: str, labels: Sequence[str]) -> pd.DataFrame:
    """The assignments in force in a round.

    Parameters
    ----------
    assignments : as `with_own` returns them. A row from a round that is not among ``labels`` never
        holds.
    label : the round, one of ``labels``.
    labels : the storm's rounds, in order.

    Returns
    -------
    Rows of ``assignments``, at most one for each route_id: the one that began last.
    """
    if FROM not in assignments:
        return assignments
    place = {"": -1} | {one: number for number, one in enumerate(labels)}
    begins = assignments[FROM].map(place).fillna(len(labels)).to_numpy(dtype=float)
    order = np.argsort(begins, kind="stable")
    held = assignments.iloc[order[begins[order] <= place[label]]]
    return held.drop_duplicates("route_id", keep="last")


def with_trucks(
    assignments: pd.DataFrame, labels: Sequence[str], wanted: Mapping[tuple[str, str], str]
) -> pd.DataFrame:
    """A storm's assignments with some runs given to other trucks, in the same order of routes.

    Parameters
    ----------
    assignments : as `with_own` returns them.
    labels : the storm's rounds, in order.
    wanted : application and route → truck.
    """
    routes = {route for _, route in wanted}
    kept = assignments.assign(turn=range(len(assignments)))
    if FROM not in kept:
        kept = kept.assign(own=False, **{FROM: ""})
    turn = kept.groupby("route_id")["turn"].max()
    frames = [kept[~kept["route_id"].isin(routes)]]
    for label in labels:
        now = in_round(kept, label, labels)
        now = now[now["route_id"].isin(routes)].assign(own=True, **{FROM: label})
        truck = [
            wanted.get((label, route), before)
            for route, before in zip(now["route_id"], now["truck_id"], strict=True)
        ]
        frames.append(now.assign(truck_id=truck))
    whole = pd.concat(frames, ignore_index=True)
    whole = whole.assign(turn=whole["route_id"].map(turn)).sort_values("turn", kind="stable")
    return whole.drop(columns="turn").reset_index(drop=True)


def assigned(parts: gpd.GeoDataFrame, who: pd.DataFrame) -> gpd.GeoDataFrame:
    """Parts of segments with truck_id, yard_id, material, prewet_material and prewet_gal_per_ton.

    "" for no truck, yard, material or named liquid.

    ``who`` : one row a route, as `in_round` gives it.
    """
    who = named_liquid(who)
    place = pd.Index(who["route_id"]).get_indexer(pd.Index(parts["route_id"]))
    place = np.where(place >= 0, place, len(who))
    added: dict[str, np.ndarray] = {
        name: np.append(who[name].to_numpy(dtype=object), "")[place]
        for name in ("truck_id", "yard_id", "material", "prewet_material")
    }
    prewet = np.append(who["prewet_gal_per_ton"].to_numpy(dtype=float), 0.0)
    return parts.assign(**added, prewet_gal_per_ton=prewet[place])


def named_liquid(assignments: pd.DataFrame) -> pd.DataFrame:
    """Assignments with the liquid that wets their solid.

    Parameters
    ----------
    assignments : prewet_gal_per_ton, and prewet_material where the file has it.

    Returns
    -------
    The assignments with prewet_material, "" where nobody names it or nothing is put on.
    """
    named = assignments.get("prewet_material", pd.Series("", assignments.index)).fillna("")
    wet = assignments["prewet_gal_per_ton"] > 0.0
    return assignments.assign(prewet_material=named.where(wet, "").astype(object))


def own_findings(assignments: pd.DataFrame) -> Iterator[Finding]:
    """What the storm's own assignments change, so that nobody overlooks it."""
    if FROM not in assignments:
        return
    for row in lines(assignments[assignments["own"]]):
        since = remark("from_round", application=row.from_application)
        yield Finding(
            "note",
            remark("of_route", route=row.route_id),
            remark(
                "own_assignment",
                truck=row.truck_id or "none",
                since=(since,) if row.from_application else (),
            ),
            (remark("undo_own_assignment"),),
        )


def of_season(general: pd.DataFrame, own: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """The assignments of all storms of a season.

    Parameters
    ----------
    general : route_id, truck_id, yard_id, material, prewet_gal_per_ton.
    own : each storm's own, by its name, with the columns of ``general``.

    Returns
    -------
    The columns of ``general`` and storm: "" for the general ones, which come first.
    """
    rows = [general.assign(storm="")]
    rows += [frame.assign(storm=storm)[rows[0].columns] for storm, frame in own.items()]
    return pd.concat([frame for frame in rows if len(frame)] or rows[:1], ignore_index=True)


def of_use(assignments: pd.DataFrame, used: pd.DataFrame, column: str) -> pd.Series[Any]:
    """What the assignments say of the use of trucks on routes.

    Parameters
    ----------
    assignments : route_id, truck_id and the column; with ``storm`` as `of_season` gives them.
    used : storm, route_id, truck_id. Of several rows of a route that of the truck itself counts
        first, then the storm's own, the last of them before the others.
    column : name of the column of ``assignments`` that is asked for.

    Returns
    -------
    In the unit of the column, shape (rows of ``used``,), on its index; NaN where nothing is said.
    """
    storm = assignments["storm"] if "storm" in assignments else pd.Series("", assignments.index)
    general, own = assignments[storm == ""], assignments[storm != ""]
    usual = general.drop_duplicates("route_id").set_index("route_id")
    found = used["route_id"].map(usual[column])
    if own.empty:
        return found
    of_storm = _looked_up(own, used, ["storm", "route_id"], column)
    usual_truck = used["route_id"].map(usual["truck_id"]) == used["truck_id"]
    found = found.where(usual_truck | of_storm.isna(), of_storm)
    exact = _looked_up(own, used, ["storm", "route_id", "truck_id"], column)
    return found.where(exact.isna(), exact)


def prewet_of_use(assignments: pd.DataFrame, used: pd.DataFrame) -> pd.Series[float]:
    """Prewetting liquid of what was used, as assigned.

    Parameters
    ----------
    assignments : as `of_use` takes them, with material and prewet_gal_per_ton.
    used : as `of_use` takes it, with material.

    Returns
    -------
    US gallons in a ton of material, shape (rows of ``used``,), on its index; 0 where another
    material was used than assigned.
    """
    gallons = of_use(assignments, used, "prewet_gal_per_ton").astype(float)
    return gallons.where(of_use(assignments, used, "material") == used["material"]).fillna(0.0)


def _looked_up(
    rows: pd.DataFrame, used: pd.DataFrame, keys: list[str], column: str
) -> pd.Series[Any]:
    last = rows.drop_duplicates(keys, keep="last")[[*keys, column]]
    found = used[keys].merge(last, on=keys, how="left")[column]
    return pd.Series(found.to_numpy(), index=used.index)
