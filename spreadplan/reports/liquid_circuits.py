"""What certificate and truck page say of a truck's liquid circuits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from spreadplan.calibration import LiquidModel
from spreadplan.calibration.standing import run_uncertainty
from spreadplan.frames import lines
from spreadplan.remarks import Remark, remark
from spreadplan.reports.render import html
from spreadplan.units import MINUTES_PER_HOUR, liquid_rate_gal_per_lane_mile
from spreadplan.views.display import NBSP, NOTHING, percent
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice
from spreadplan.views.words import TERMS, term

SHOWN_MPH: Final = {"us": 30.0, "metric": 50.0 / 1.609344}
"""Speed at which a flow is shown as a rate: a round one in the units of the reader."""
FULL_BAR_PCT: Final = 30.0
"""Departure of a nozzle that fills its bar."""


@dataclass(frozen=True, kw_only=True)
class Liquids:
    """The liquid circuits of one truck.

    settings, tests, nozzles : its rows of ``liquid``, ``liquid_tests`` and ``nozzles``.
    models : its calibrations.
    """

    settings: pd.DataFrame
    tests: pd.DataFrame
    nozzles: pd.DataFrame
    models: tuple[LiquidModel, ...]

    @property
    def level(self) -> str:
        """What they are worth together, of the vocabulary ``truck_standing``."""
        valid = self.settings["valid"].astype(bool)
        return "good" if valid.all() and len(valid) else "in_part" if valid.any() else "untested"


def says_of_liquids(liquids: Liquids) -> list[Remark]:
    """A sentence for each circuit and liquid that was tested."""
    said = []
    for (material, circuit), rows in liquids.settings.groupby(["material", "circuit"], sort=True):
        valid = rows[rows["valid"].astype(bool)]
        what, which = str(material), str(circuit)
        if len(valid):
            ends = valid["setting_gal_per_min"]
            tested = (float(ends.min()), float(ends.max()))
            said.append(
                remark("liquid_counts", material=what, circuit=which, ends_gal_per_min=tested)
            )
        else:
            why = str(rows["reason"].iloc[-1])
            said.append(remark("liquid_does_not_count", material=what, circuit=which, why=why))
    return said


def circuits(liquids: Liquids, voice: Voice) -> list[dict[str, Any]]:
    """Each circuit with its settings, what to enter and its nozzles, for the templates."""
    found = []
    models = {(one.material, one.circuit): one for one in liquids.models}
    for (material, circuit), rows in liquids.settings.groupby(["material", "circuit"], sort=True):
        model = models.get((str(material), str(circuit)))
        tests = liquids.tests[
            (liquids.tests["material"] == material) & (liquids.tests["circuit"] == circuit)
        ]
        found.append(
            {
                "title": f"{voice.material(str(material))}, {TERMS['circuit'][str(circuit)].words}",
                "settings": [_setting(row, str(circuit), voice) for row in lines(rows)],
                "tests": [_test(row, voice) for row in lines(tests)],
                "enter": _to_enter(model, voice) if model else [],
                "nozzles": _nozzles(tests, liquids.nozzles, voice),
                "boom": circuit == "boom",
                "doubts": [one for one in rows["doubts"] if one],
            }
        )
    return found


def units_shown(voice: Voice) -> dict[str, str]:
    """The units in the heads of the tables, and the speed that rates are shown at."""
    shown = voice.display
    names = {name: shown.unit(name) for name in ("liquid_flow", "liquid_rate", "volume")}
    return {**names, "speed": shown.show(SHOWN_MPH[shown.system], "speed")}


def _setting(row: Any, circuit: str, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    flow = float(row.measured_gal_per_min)
    return {
        "set": shown.number(row.setting_gal_per_min, "liquid_flow"),
        "measured": shown.number_pm(flow, row.u_gal_per_min, "liquid_flow"),
        "ratio": f"{row.ratio:.3f}" if np.isfinite(row.ratio) else NOTHING,
        "run": f"±{NBSP}{percent(row.run_pct / 100)}" if np.isfinite(row.run_pct) else NOTHING,
        "rate": _rate(flow, voice) if circuit == "boom" else "",
        "valid": bool(row.valid),
        "reason": row.reason,
        "tests": row.tests.replace(";", ", "),
    }


def _rate(flow_gal_per_min: float, voice: Voice) -> str:
    """The rate of a flow on one lane, at the speed shown."""
    speed = np.array(SHOWN_MPH[voice.display.system])
    rate = liquid_rate_gal_per_lane_mile(np.array(flow_gal_per_min), speed, np.array(1.0))
    return voice.display.number(float(rate), "liquid_rate")


def _test(row: Any, voice: Voice) -> dict[str, Any]:
    shown = voice.display
    return {
        "test_id": row.test_id,
        "date": shown.date(row.performed_at),
        "set": shown.number(row.setting_gal_per_min, "liquid_flow"),
        "caught": shown.number_pm(row.volume_gal, row.volume_u_gal, "volume"),
        "run": shown.number(row.duration_s, "seconds"),
        "measured": shown.number_pm(row.measured_gal_per_min, row.u_gal_per_min, "liquid_flow"),
        "valid": bool(row.valid),
        "reason": row.reason,
        "warnings": [text for text in row.warnings.split("; ") if text],
    }


def _to_enter(model: LiquidModel, voice: Voice) -> list[dict[str, str]]:
    """What to set for flows over the tested ones: the settings' own numbers and between them."""
    low, high = model.measured_gal_per_min.min(), model.measured_gal_per_min.max()
    ends = model.set_gal_per_min
    wanted = np.unique(np.concatenate([ends, (ends[1:] + ends[:-1]) / 2.0]))
    wanted = wanted[(wanted >= 0.8 * low) & (wanted <= 1.2 * high)]
    found = model.setting_for(wanted)
    within = run_uncertainty(found.relative_u, model.run_sd, model.dof)
    shown = voice.display
    return [
        {
            "wanted": shown.number(float(flow), "liquid_flow"),
            "set": shown.number(float(setting), "liquid_flow"),
            "within": f"±{NBSP}{percent(float(share))}",
            "rate": _rate(float(flow), voice) if model.circuit == "boom" else "",
        }
        for flow, setting, share in zip(wanted, found.setting_gal_per_min, within, strict=True)
    ]


def _nozzles(tests: pd.DataFrame, nozzles: pd.DataFrame, voice: Voice) -> dict[str, Any] | None:
    """The nozzles of the circuit's latest test in which they were caught one by one."""
    caught = tests[tests["test_id"].isin(nozzles["test_id"])]
    if caught.empty:
        return None
    last = caught.sort_values(["performed_at", "test_id"], kind="stable").iloc[-1]
    rows = [
        {
            "nozzle": row.nozzle,
            "flow": voice.display.number(row.flow_gal_per_min, "liquid_flow"),
            "share": percent(row.share),
            "departure": _signed(row.departure_pct, row.departure_u95_pct),
            "left": min(max(-row.departure_pct, 0.0) / FULL_BAR_PCT, 1.0) * 50.0,
            "right": min(max(row.departure_pct, 0.0) / FULL_BAR_PCT, 1.0) * 50.0,
            "term": term("nozzle", row.verdict),
        }
        for row in lines(nozzles[nozzles["test_id"] == last["test_id"]])
    ]
    return {
        "test_id": last["test_id"],
        "date": voice.display.date(last["performed_at"]),
        "rows": rows,
        "unsound": [one["nozzle"] for one in rows if one["term"].tone == "bad"],
    }


def _signed(departure_pct: float, within_pct: float) -> str:
    if not np.isfinite(departure_pct):
        return NOTHING
    sign = "+" if departure_pct >= 0.0 else "\u2212"
    return f"{sign}{abs(departure_pct):.1f} ± {within_pct:.1f}"


# --- work sheet --------------------------------------------------------------------------------


def liquid_sheet(setting: Setting, as_of: pd.Timestamp) -> str:
    """A blank sheet to print and fill in at a test of a liquid circuit."""
    shown = setting.display
    return html(
        "work_sheet_liquid.html",
        title="Work sheet for a test of a liquid circuit",
        **setting.context(as_of),
        unit=units_shown(setting.voice),
        speed_unit=shown.unit("speed"),
        divisor=f"{MINUTES_PER_HOUR:g}",
    )
