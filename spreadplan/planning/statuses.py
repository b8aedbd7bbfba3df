"""What each row's plan is worth, and a note that says why and what would help."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.models import DischargeModel
from spreadplan.calibration.standing import says_do_not_use
from spreadplan.planning.frames import first_alike, together
from spreadplan.planning.liquids import boom_lanes
from spreadplan.planning.serving import controls_of, how_known, models_by_truck
from spreadplan.planning.settings import Control, Models
from spreadplan.remarks import Remark, remark

#: worst first: a route has the worst status of its rows.
STATUSES = (
    "unassigned",
    "no_rate",
    "uncalibrated",
    "do_not_use",
    "infeasible",
    "extrapolated",
    "ok",
    "untreated",
)
#: an achieved rate this far from the target is worth a note.
NOTABLE_ERROR = 0.02
#: at most this many other trucks are named as a cure.
TRUCKS_NAMED = 2
#: so many times the passes are still a cure; our choice.
MOST_TIMES_THE_PASSES = 3


def statuses(rows: pd.DataFrame) -> NDArray[np.object_]:
    """The status of each row, one of `STATUSES`.

    ``rows``: target_rate_lb_per_lane_mile, truck_id, modelled, too_uncertain, short, excess,
    too_wide, extrapolated.
    """
    target = rows["target_rate_lb_per_lane_mile"].to_numpy()
    infeasible = (rows["short"] | rows["excess"] | rows["too_wide"]).to_numpy()
    conditions = [
        (rows["truck_id"] == "").to_numpy(),
        np.isnan(target),
        target == 0.0,
        rows["too_uncertain"].to_numpy(),
        ~rows["modelled"].to_numpy(),
        infeasible,
        rows["extrapolated"].to_numpy(),
    ]
    names = [
        "unassigned",
        "no_rate",
        "untreated",
        "do_not_use",
        "uncalibrated",
        "infeasible",
        "extrapolated",
    ]
    return np.select(conditions, [np.array(name, dtype=object) for name in names], "ok")


def worst_status(status: pd.Series, run: pd.Series) -> pd.Series:
    """The worst status of each run; index: run."""
    place = {name: number for number, name in enumerate(STATUSES)}
    worst = status.map(place).groupby(run, sort=True).min()
    return worst.map(dict(enumerate(STATUSES)))


def most_lanes(rows: pd.DataFrame, trucks: pd.DataFrame) -> NDArray[np.float64]:
    """Lanes that each row's truck can cover in a pass, by its spinner or, of a liquid, its boom."""
    known = trucks.drop_duplicates("truck_id", keep="last").set_index("truck_id")
    limit, boom = (
        rows["truck_id"].map(known[name]).to_numpy(dtype=float)
        for name in ("max_spread_lanes", "boom_width_ft")
    )
    by_boom = boom_lanes(boom, rows["lane_width_ft"].to_numpy(dtype=float))
    sprayed = rows["is_liquid"].to_numpy(dtype=bool) & ~np.isnan(by_boom)
    return np.where(sprayed, by_boom, np.where(np.isnan(limit), np.inf, limit))


def too_wide(rows: pd.DataFrame, trucks: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether a pass has more lanes than the truck can cover; False where no limit is known."""
    return np.asarray(rows["lanes_per_pass"].to_numpy() > most_lanes(rows, trucks) + 1e-9)


def notes(rows: pd.DataFrame, trucks: pd.DataFrame, models: Models) -> pd.DataFrame:
    """What to say of each row; index of ``rows``.

    ``note``: how its rate came about, what is wrong and what would help; ``fault``: the last two
    alone, () where nothing is wrong. Both are tuples of remarks.
    """
    fault = together([()] * len(rows))
    cures = Cures(trucks, models)
    status = rows["status"].to_numpy()

    def add(where: NDArray[np.bool_], columns: list[str], say: Callable[..., Remark]) -> None:
        places = np.flatnonzero(where)
        values = [rows[name].to_numpy()[places] for name in columns]
        first, number = first_alike(values, len(places))
        said = [(say(*(value[at] for value in values)),) for at in first]
        for place, which in zip(places.tolist(), number.tolist(), strict=True):
            fault[place] += said[which]

    add(status == "unassigned", [], lambda: remark("no_truck_here"))
    solid = ~rows["is_liquid"].to_numpy(dtype=bool)
    add(
        (status == "uncalibrated") & solid,
        ["truck_id", "material", "truck_gate_in", "voided_by"],
        cures.untested,
    )
    add((status == "do_not_use") & solid, ["truck_gate_in", "doubt_at_pct", "doubt"], doubtful)
    for level, columns, say in OF_A_BOOM:
        add((status == level) & ~solid, columns, say)
    infeasible = status == "infeasible"
    needs = ["truck_id", "material", "gate_in", "discharge_lb_per_min"]
    add(
        infeasible & rows["short"].to_numpy(),
        [*needs, "most_lb_per_min", "max_speed_mph"],
        cures.short,
    )
    add(infeasible & rows["excess"].to_numpy(), [*needs, "passes", "lanes_per_pass"], cures.excess)
    rows = rows.assign(most_lanes=most_lanes(rows, trucks))
    add(
        infeasible & rows["too_wide"].to_numpy(),
        ["truck_id", "lanes_per_pass", "most_lanes"],
        lambda truck, lanes, most: remark("too_many_lanes", lanes=lanes, truck=truck, most=most),
    )
    add(
        (status == "extrapolated") & solid,
        ["feeder_pct", "tested_lo_pct", "tested_hi_pct"],
        lambda at, low, high: remark("outside_tested", at_pct=at, low_pct=low, high_pct=high),
    )
    achieved, target = (
        rows[f"{name}_rate_lb_per_lane_mile"].to_numpy() for name in ("achieved", "target")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = np.round(100.0 * (achieved / target - 1.0))
    missed = np.isin(status, ["ok", "extrapolated"]) & (np.abs(percent) > 100.0 * NOTABLE_ERROR)
    rows = rows.assign(percent=percent)
    joined = is_joined(rows)
    add(missed & ~joined, ["percent"], lambda off: remark("rate_missed", off_pct=off))
    add(missed & joined, ["percent"], lambda off: remark("rate_of_neighbor", off_pct=off))
    note = rows["note"].to_numpy(dtype=object) + fault
    return pd.DataFrame({"note": note, "fault": fault}, index=rows.index)


def is_joined(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether a row has the setting of its neighbours, since it is too short for its own."""
    achieved, own = (
        rows[f"{name}_rate_lb_per_lane_mile"].to_numpy() for name in ("achieved", "own")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.abs(achieved / own - 1.0) > 2.0 * NOTABLE_ERROR)


def untested_boom(truck: str, material: str, voided_by: str) -> Remark:
    """Which test of a boom is missing."""
    if voided_by:
        return remark("voided_by_work", what=voided_by, truck=truck)
    return remark("boom_never_tested", truck=truck, material=material)


#: what is said of rows of liquid, by their status: the columns that it needs, and the words.
OF_A_BOOM: tuple[tuple[str, list[str], Callable[..., Remark]], ...] = (
    ("uncalibrated", ["truck_id", "material", "voided_by"], untested_boom),
    (
        "do_not_use",
        ["doubt"],
        lambda doubt: remark("liquid_known_too_badly", within_pct=100.0 * doubt),
    ),
    (
        "extrapolated",
        ["flow_gal_per_min"],
        lambda flow: remark("flow_outside_tests", flow_gal_per_min=flow),
    ),
)


def doubtful(gate: float, output: float, doubt: float) -> Remark:
    """Why a truck that was tested gets no setting."""
    return says_do_not_use(remark("at_gate_and_output", gate_in=gate, output_pct=output), doubt)


@dataclass(frozen=True)
class _Tested:
    """A tested truck and gate, and what it gives at its highest and lowest output, lb/min."""

    most: float
    least: float
    truck: str
    model: DischargeModel
    control: Control

    def gives(self, need: float) -> bool:
        """Whether it can give a discharge, at an output where it may be used."""
        if not self.least <= need <= self.most:
            return False
        output = np.atleast_1d(np.asarray(self.model.feeder_for(need), dtype=float))
        return not how_known(self.model, self.control, output).too_uncertain.any()


class Cures:
    """What would make an infeasible need feasible. More speed is never among it: roads are icy."""

    def __init__(self, trucks: pd.DataFrame, models: Models) -> None:
        controls = controls_of(trucks)
        self._gates = dict(zip(trucks["truck_id"], trucks["gate_positions_in"], strict=True))
        self._limits = dict(zip(trucks["truck_id"], trucks["max_spread_lanes"], strict=True))
        self._least = {truck: control.min_feeder_pct for truck, control in controls.items()}
        self._counting = {truck for truck, control in controls.items() if control.closed_loop}
        #: by material: every tested gate, weakest first
        self._tested: dict[str, list[_Tested]] = defaultdict(list)
        for (truck, material), gates in models_by_truck(models, controls).items():
            ends = np.array([controls[truck].max_feeder_pct, controls[truck].min_feeder_pct])
            for model in gates:
                most, least = model.predict(ends).discharge_lb_per_min.tolist()
                self._tested[material].append(_Tested(most, least, truck, model, controls[truck]))
        for tested in self._tested.values():
            tested.sort(key=lambda one: (one.most, one.least, one.truck, one.model.gate_in))

    def short(
        self, truck: str, material: str, gate: float, need: float, most: float, speed: float
    ) -> Remark:
        """Why a truck gives too little, and the cures: slower, more passes, other gates, trucks."""
        ways = [remark("drive_slower", speed_mph=float(speed))] if speed >= 1.0 else []
        ways += self._others(material, need, truck, gate)
        times = math.ceil(need / most) if most > 0.0 else 0
        if 1 < times <= MOST_TIMES_THE_PASSES:
            ways.append(remark("more_passes", times=times))
        ways = ways or [remark("nobody_gives_enough")]
        return remark(
            "gives_too_little", need_lb_per_min=need, gate_in=gate, most_lb_per_min=most, ways=ways
        )

    def excess(
        self, truck: str, material: str, gate: float, need: float, passes: float, lanes: float
    ) -> Remark:
        """Why a truck gives too much at its least, and the cures: fewer passes, another gate or
        truck, a feeder that runs slower.
        """
        ways = self._others(material, need, truck, gate)
        ways += self._fewer_passes(truck, material, gate, need, passes, lanes)
        tested = {one.model.gate_in for one in self._tested[material] if one.truck == truck}
        ways += [
            remark("test_smaller_gate", gate_in=smaller)
            for smaller in self._gates.get(truck, ())
            if smaller < gate and smaller not in tested
        ][:1]
        if self._least[truck] > 0.0:
            ways.append(remark("slower_feeder", least_pct=self._least[truck]))
        return remark(
            "gives_too_much",
            need_lb_per_min=need,
            gate_in=gate,
            ways=ways or [remark("nobody_gives_so_little")],
        )

    def _fewer_passes(
        self, truck: str, material: str, gate: float, need: float, passes: float, lanes: float
    ) -> list[Remark]:
        """The most passes below the planned ones that the truck can serve; each then needs more."""
        widest = self._limits[truck]
        for fewer in range(int(passes) - 1, 0, -1):
            share = passes / fewer
            wide = lanes * share > widest + 1e-9  # never where no limit is known
            if not wide and (truck, gate) in self._able(material, need * share):
                return [remark("fewer_passes", fewer=fewer, passes=passes)]
        return []

    def _able(self, material: str, need: float) -> list[tuple[str, float]]:
        """Trucks and gates that can give a discharge and are known well enough, weakest first."""
        return [(one.truck, one.model.gate_in) for one in self._tested[material] if one.gives(need)]

    def _others(self, material: str, need: float, truck: str, gate: float) -> list[Remark]:
        able = self._able(material, need)
        own = [
            remark("own_other_gate", gate_in=held)
            for other, held in able
            if other == truck and held != gate
        ]
        seen: dict[str, Remark] = {}
        for other, other_gate in able:
            if other != truck:
                seen.setdefault(other, remark("other_truck", truck=other, gate_in=other_gate))
        return own + list(seen.values())[:TRUCKS_NAMED]

    def untested(self, truck: str, material: str, gate_in: float, voided_by: str) -> Remark:
        """Which test is missing; ``gate_in`` is where the truck's gate stands, NaN for nowhere."""
        if voided_by:
            return remark("voided_by_work", what=voided_by, truck=truck)
        if any(one.truck == truck for one in self._tested[material]):
            return remark("untested_at_its_gate", truck=truck, gate_in=gate_in, material=material)
        gates = self._gates.get(truck, ())
        at = remark("at_gates", gates_in=gates) if gates else remark("at_each_gate")
        counts = (remark("with_counts"),) if truck in self._counting else ()
        return remark("never_tested", truck=truck, material=material, counts=counts, at=at)
