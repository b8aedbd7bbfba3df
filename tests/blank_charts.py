"""Charts that are made, but not drawn: drawing is two thirds of what `calibrate --no-pdf` takes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from io import StringIO
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@contextmanager
def blank_charts() -> Iterator[None]:
    """Charts made inside are empty, but for a text that differs where what they hold differs."""
    from matplotlib.figure import Figure  # late: the process that shares out the tests needs none

    from spreadplan.reports import figure

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figure, "_lay_out", lambda chart: None)
        patch.setattr(Figure, "savefig", _save)
        yield


def _save(chart: Figure, out: StringIO, **_how: Any) -> None:
    held = [part for axes in chart.axes for part in _held(axes)]
    digest = sha256(repr(held).encode()).hexdigest()
    out.write(f'<svg xmlns="http://www.w3.org/2000/svg"><text>{digest}</text></svg>')


def _held(axes: Any) -> Iterator[Any]:
    yield axes.get_xlim(), axes.get_ylim(), axes.get_xlabel(), axes.get_ylabel(), axes.get_title()
    yield from (one.get_xydata().tobytes() for one in axes.lines)
    yield from (one.get_offsets().tobytes() for one in axes.collections)
    yield from (path.vertices.tobytes() for one in axes.collections for path in one.get_paths())
    yield from (one.get_path().vertices.tobytes() for one in axes.patches)
    yield from ((one.get_text(), one.get_position()) for one in axes.texts)
