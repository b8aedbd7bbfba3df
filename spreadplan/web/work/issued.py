"""What pages show of plans as they were issued."""

from __future__ import annotations

from typing import Any

from spreadplan.views.issues import judged_by
from spreadplan.web.addresses import address
from spreadplan.web.visits import NOBODY, Visit
from spreadplan.workspace.issued import read_issues


def issued_plans(visit: Visit, storm: str) -> dict[str, Any]:
    """What the page of a plan shows of its issues, the last first."""
    found, shown = read_issues(visit.site.folder, storm, tables=False), visit.display
    listed = [
        {
            "number": one.issue.number,
            "since": shown.moment(one.issue.since),
            "issued_at": shown.moment(one.issue.issued_at),
            "by": one.issue.by,
            "note": one.issue.note,
            "report": _place(storm, one.issue.number, "plan_report.html"),
            "cards": [
                {
                    "name": name.removeprefix("cab_cards/").removesuffix(".html"),
                    "address": _place(storm, one.issue.number, name),
                }
                for name in sorted(one.issue.files)
                if name.startswith("cab_cards/") and name.endswith(".html")
            ],
        }
        for one in reversed(found.plans)
    ]
    return {
        "listed": listed,
        "problems": found.problems,
        "judged_by": visit.voice.say(judged_by([one.issue for one in found.plans])),
        "name": "" if visit.who == NOBODY else visit.who,
    }


def _place(storm: str, number: int, name: str) -> str:
    return address("issued", storm, str(number), *name.split("/"))
