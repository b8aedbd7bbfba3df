"""What is best now: the rest of a storm is planned beside the pages, which look how far it is."""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import pandas as pd

from spreadplan.errors import BadInput, Problem, refused_by_system
from spreadplan.runs.options import Options
from spreadplan.runs.rest_of_storm import RestOfStorm, rest_of_storm
from spreadplan.web.work.computed import fingerprint
from spreadplan.workspace.issued import ISSUED, LATEST

log = logging.getLogger("spreadplan.web")
MOST_KEPT: Final = 8
DEFECT: Final = "The program has a defect here. Your files are as they were."
Key = tuple[str, pd.Timestamp, str, Any]


@dataclass(kw_only=True, eq=False)
class Question:
    """What is best in a storm at a moment, with an option that somebody chose, "" for none.

    stage, share : what is being done and how much of that is behind, 0 to 1; as of a job.
    answer : once it is done.
    """

    storm: str
    at: pd.Timestamp
    option: str
    state: Literal["running", "done", "failed"] = "running"
    stage: str = ""
    share: float = 0.0
    said: list[str] = field(default_factory=list)
    problems: tuple[Problem, ...] = ()
    answer: RestOfStorm | None = None

    def as_json(self) -> dict[str, object]:
        """How it goes, as a job tells it."""
        return {
            "state": self.state,
            "stage": self.stage,
            "share": round(self.share, 3),
            "said": self.said,
            "problems": [asdict(problem) for problem in self.problems],
        }


class Questions:
    """Answers one question after the other; who asks the same gets the same answer.

    A file that changes, or an issue, makes it another question.

    issuing : held by whoever makes an answer the plan in force.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.issuing = threading.Lock()
        self._lock, self._turn = threading.Lock(), threading.Lock()
        self._asked: OrderedDict[Key, Question] = OrderedDict()

    def ask(self, storm: str, at: pd.Timestamp, option: str) -> Question:
        """The question with its answer, or with how far that is."""
        key = (storm, at, option, self._state(storm))
        with self._lock:
            known = self._asked.get(key)
            if known is not None:
                return known
            question = self._asked[key] = Question(storm=storm, at=at, option=option)
            over = [key for key, one in self._asked.items() if one.state != "running"]
            for key in over[: max(0, len(self._asked) - MOST_KEPT)]:
                del self._asked[key]
        threading.Thread(target=self._answer, args=(question,), name="rest", daemon=True).start()
        return question

    def _state(self, storm: str) -> Any:
        """Changes when an input or an issue does.

        Records that come in meanwhile do not count: they are later than the moment.
        """
        last = self._folder / "storms" / storm / ISSUED / LATEST
        return fingerprint(self._folder), last.stat().st_mtime_ns if last.is_file() else 0

    def _answer(self, question: Question) -> None:
        with self._turn:
            options = Options(pdf=False, progress=_progress_of(question))
            state: Literal["done", "failed"] = "failed"
            try:
                question.answer = rest_of_storm(
                    self._folder, question.storm, question.at, options, question.option
                )
                state = "done"
            except BadInput as error:
                question.problems = tuple(error.problems)
            except Exception as error:  # whoever waits must hear of it
                line = refused_by_system(error) if isinstance(error, OSError) else ""
                if not line:
                    log.error("defect at the rest of %s", question.storm, exc_info=error)
                question.said.append(line or DEFECT)
            question.state = state


def _progress_of(question: Question) -> Callable[[str, int], Any]:
    @contextmanager
    def progress(what: str, total: int) -> Iterator[Callable[[], None]]:
        done = 0
        question.stage, question.share = what, 0.0

        def step() -> None:
            nonlocal done
            done += 1
            question.share = min(1.0, done / max(total, 1))

        yield step

    return progress
