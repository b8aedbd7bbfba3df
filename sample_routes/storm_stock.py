"""The yards through the season: what is truly there, what comes in, and what was counted."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

LB_PER_TON = 2000.0
SCALE_DIVISION_LB = {"CENTRAL": 20, "LAKES": 50, "EAST": 20}
SCALE_ERROR_LB = {"CENTRAL": 12.0, "LAKES": 45.0, "EAST": 12.0}
TRUCKLOAD_TON, TRUCKLOAD_SPREAD = 24.6, 0.6
COUNT_SPREAD, COUNT_LEAST_TON = 0.035, 1.5  # standard deviation of a count, as stated with it
# Before each storm from `SUPPLY_FROM` on, a yard below the first number is filled past the second.
SUPPLY_FROM = datetime(2026, 12, 10)
SUPPLY_TON = {
    ("CENTRAL", "rock_salt"): (220, 300),
    ("LAKES", "rock_salt"): (60, 95),
    ("EAST", "rock_salt"): (60, 85),
    ("CENTRAL", "sand_salt"): (60, 95),
    ("LAKES", "sand_salt"): (35, 60),
}
COUNT_DAYS = ("2026-12-28", "2027-01-25", "2027-02-22", "2027-03-22")
# Truckloads that came to EAST while the clerk was away: nobody wrote a ticket.
UNRECORDED = (
    ("EAST", "rock_salt", "2027-01-11T11:20"),
    ("EAST", "rock_salt", "2027-01-11T14:05"),
)
Pile = tuple[str, str]


@dataclass
class Yards:
    """True stock in tons by yard and material, and the books as the clerks keep them."""

    stock: dict[Pile, float]
    rng: np.random.Generator
    deliveries: list[tuple[str, str, str, str, float]] = field(default_factory=list)
    counts: list[tuple[str, str, str, float, float]] = field(default_factory=list)
    unrecorded: list[tuple[str, str, str, float]] = field(default_factory=list)

    def yard_for(self, yard_id: str, material: str, wanted_lb: float) -> str:
        """The yard itself if it holds enough, else the central one."""
        held = self.stock.get((yard_id, material), 0.0)
        return yard_id if held * LB_PER_TON > 1.15 * wanted_lb + 2000.0 else "CENTRAL"

    def move(self, yard_id: str, material: str, mass_lb: float) -> None:
        """Put mass on a pile; a negative one takes it away."""
        pile = yard_id, material
        self.stock[pile] = self.stock.get(pile, 0.0) + mass_lb / LB_PER_TON
        assert self.stock[pile] >= 0.0, pile

    def pass_time(self, since: datetime, until: datetime, supply: bool) -> None:
        """Unrecorded truckloads, supplies and counts between two storms, in order."""
        for yard_id, material, at in UNRECORDED:
            if since <= datetime.fromisoformat(at) < until:
                mass_ton = self._truckload()
                self.unrecorded.append((yard_id, material, at, round(mass_ton, 2)))
                self.move(yard_id, material, mass_ton * LB_PER_TON)
        day = _supply_day(until)
        counted = [datetime.fromisoformat(f"{day}T08:00") for day in COUNT_DAYS]
        counted = [moment for moment in counted if since <= moment < until]
        for moment in counted:
            if moment < day:
                self._count(moment)
        if supply and until >= SUPPLY_FROM:
            self._supply(day)
        for moment in counted:
            if moment >= day:
                self._count(moment)

    def _supply(self, day: datetime) -> None:
        for number, ((yard_id, material), (least, most)) in enumerate(SUPPLY_TON.items()):
            at = day + timedelta(minutes=20 * number)
            if self.stock[yard_id, material] >= least:
                continue
            while self.stock[yard_id, material] < most:
                at += timedelta(minutes=int(self.rng.integers(25, 70)))
                mass_ton = self._truckload()
                ticket = f"D-{2601 + len(self.deliveries)}"
                when = at.isoformat(timespec="minutes")
                self.deliveries.append((ticket, yard_id, material, when, round(mass_ton, 2)))
                self.move(yard_id, material, mass_ton * LB_PER_TON)

    def _truckload(self) -> float:
        return TRUCKLOAD_TON + TRUCKLOAD_SPREAD * float(self.rng.standard_normal())

    def _count(self, day: datetime) -> None:
        for number, ((yard_id, material), held) in enumerate(sorted(self.stock.items())):
            spread = max(COUNT_LEAST_TON, COUNT_SPREAD * held)
            counted = max(0.0, held + spread * float(self.rng.standard_normal()))
            at = (day + timedelta(minutes=40 * number)).isoformat(timespec="minutes")
            self.counts.append((yard_id, material, at, float(round(counted)), round(spread, 1)))


def _supply_day(before: datetime) -> datetime:
    """A working day three days ahead of a storm, or the Friday before it."""
    day = (before - timedelta(days=3)).replace(hour=7, minute=30)
    return day - timedelta(days=max(0, day.weekday() - 4))


def weighed(yard_id: str, mass_lb: float, rng: np.random.Generator) -> int:
    """A net mass as the yard's scale shows it."""
    division = SCALE_DIVISION_LB[yard_id]
    shown = (mass_lb + SCALE_ERROR_LB[yard_id] * float(rng.standard_normal())) / division
    return max(0, round(shown) * division)


def opened(counts: pd.DataFrame, deliveries: pd.DataFrame, rng: np.random.Generator) -> Yards:
    """The yards as the season's first counts show them; they were right."""
    solid = counts[counts["material"] != "salt_brine"]
    first = solid[solid["counted_at"] < "2026-11-02"]
    stock = {
        (str(yard), str(material)): float(tons)
        for yard, material, tons in zip(
            first["yard_id"], first["material"], first["on_hand_ton"], strict=True
        )
    }
    yards = Yards(stock, rng)
    yards.deliveries = list(deliveries.itertuples(index=False, name=None))
    yards.counts = list(counts.itertuples(index=False, name=None))
    return yards
