"""What a truck's certificate says, as data for a page that shows it in its own way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.frames import lines
from spreadplan.reports.certificate import (
    Advice,
    Truck,
    Validity,
    advice_lines,
    facts_of,
    model_rows,
    state_of_truck,
    test_rows,
    truck_of,
)
from spreadplan.reports.liquid_circuits import circuits
from spreadplan.schema.policy import Policy
from spreadplan.views.setting import Setting


@dataclass(frozen=True, kw_only=True)
class TruckState:
    """One truck, in words.

    validity : the statement of validity.
    tests, marks : its tests, and the number of each warning. models, sources, flags : its
    calibrations and the columns of their budgets. advice : what to do next. circuits : its liquid
    circuits.
    """

    truck: Truck
    facts: Sequence[tuple[str, str]]
    validity: Validity
    tests: Sequence[Mapping[str, Any]]
    marks: Mapping[str, int]
    models: Sequence[Mapping[str, Any]]
    sources: Sequence[str]
    flags: Sequence[str]
    advice: Sequence[Advice]
    circuits: Sequence[Mapping[str, Any]]

    @property
    def headline(self) -> str:
        """What its calibration is worth, in a word or two."""
        return self.validity.headline

    @property
    def tone(self) -> str:
        """How that looks: "good", "warn" or "bad"."""
        return self.validity.tone

    @property
    def sentences(self) -> Sequence[str]:
        """The sentences about it."""
        return self.validity.sentences

    @property
    def truck_id(self) -> str:
        """The truck's id."""
        return str(self.truck.record.truck_id)


def truck_states(
    calibration: Calibration,
    trucks: pd.DataFrame,
    changes: pd.DataFrame,
    policy: Policy,
    setting: Setting,
) -> dict[str, TruckState]:
    """The state of every truck, by truck_id; arguments as `certificate.certificates` takes them."""
    shown, voice, states = setting.display, setting.voice, {}
    calibration = voice.whole(calibration)
    for record in lines(trucks):
        truck = truck_of(record, calibration, changes)
        tests, marks = test_rows(truck, voice)
        models, sources, flags = model_rows(truck, calibration, voice)
        states[str(record.truck_id)] = TruckState(
            truck=truck,
            facts=facts_of(truck, shown),
            validity=state_of_truck(truck, calibration, policy, voice),
            tests=tests,
            marks=marks,
            models=models,
            sources=sources,
            flags=flags,
            advice=advice_lines(truck, voice),
            circuits=circuits(truck.liquids, voice),
        )
    return states
