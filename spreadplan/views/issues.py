"""What is said of plans as they were issued: one wording on paper, screen and command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import pandas as pd

from spreadplan.remarks import Remark, remark

__all__ = ["IssueLike", "judged_by", "season_judged_by", "was_issued"]


class IssueLike(Protocol):
    """What is told of an issue, see `spreadplan.workspace.issued.Issue`."""

    @property
    def storm(self) -> str:
        """The storm's folder."""
        ...

    @property
    def number(self) -> int:
        """1, 2, … within its storm."""
        ...

    @property
    def since(self) -> pd.Timestamp:
        """From when it is in force."""
        ...

    @property
    def by(self) -> str:
        """Who issued it; "" where nobody said."""
        ...


def one_issue(issue: IssueLike) -> Remark:
    """Its number, from when it is in force, and by whom it was issued."""
    who = [remark("issued_by", name=issue.by)] if issue.by else []
    return remark("one_issue", number=issue.number, since=issue.since, who=who)


def was_issued(issue: IssueLike) -> Remark:
    """What a command says of the plan that it issued."""
    return remark("was_issued", storm=issue.storm, issue=one_issue(issue))


def judged_by(issues: Sequence[IssueLike]) -> Remark:
    """By which plan the treatments of a storm are judged, as one sentence."""
    if not issues:
        return remark("judged_by_files", storms=())
    return remark("judged_by_issues", issues=[one_issue(one) for one in issues])


def season_judged_by(issued: Mapping[str, Sequence[IssueLike]]) -> list[Remark]:
    """The same for the storms of a season: a sentence for those with issues, one for the rest."""
    with_issues = [
        remark("storm_and_issues", storm=storm, issues=[one_issue(one) for one in issues])
        for storm, issues in issued.items()
        if issues
    ]
    without = [storm for storm, issues in issued.items() if not issues]
    said = [remark("judged_by_issues", issues=with_issues)] if with_issues else []
    if without:
        named = remark("for_storms", storms=[remark("a_storm", storm=storm) for storm in without])
        said.append(remark("judged_by_files", storms=(named,) if with_issues else ()))
    return said
