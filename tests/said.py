"""Remarks as the tests read them: in US units, with plain spaces and signs, materials by key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from spreadplan import planning
from spreadplan.planning import PlanInputs, StormPlan
from spreadplan.planning.plan import Progress
from spreadplan.remarks import Finding, Remark
from spreadplan.views.display import MINUS, NBSP, Display
from spreadplan.views.voice import Voice


class _Keys(Mapping[str, str]):
    """Names that are the keys themselves."""

    def __getitem__(self, key: str) -> str:
        return key

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0


@dataclass(frozen=True)
class PlainVoice(Voice):
    """A voice whose texts can be typed on a keyboard."""

    def say(self, remark: Remark) -> str:
        return super().say(remark).replace(NBSP, " ").replace(MINUS, "-")


US = PlainVoice(Display("us", ZoneInfo("UTC")), _Keys(), _Keys())
METRIC = PlainVoice(Display("metric", ZoneInfo("UTC")), _Keys(), _Keys())


def plan_storm(inputs: PlanInputs, progress: Progress | None = None) -> StormPlan:
    """The plan with its tables in words."""
    return US.whole(planning.plan_storm(inputs, progress))


def words(cell: Remark | tuple[Remark, ...] | str) -> str:
    """A cell of a table in words."""
    if isinstance(cell, str):
        return cell
    return US.say(cell) if isinstance(cell, Remark) else US.say_all(cell)


@dataclass(frozen=True)
class Said:
    """A finding in words."""

    severity: str
    subject: str
    what: str
    remedy: str


def said(finding: Finding) -> Said:
    """A finding in words."""
    return Said(
        finding.severity,
        US.say(finding.subject),
        US.say(finding.what),
        US.say_all(finding.remedies),
    )
