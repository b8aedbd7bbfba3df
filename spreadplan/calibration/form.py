"""What the rest of the fleet tells of how a discharge curve begins and ends.

A truck with few tests cannot show at which output its material starts to flow, nor whether its
feeder stops rising above the highest output that was tested. Both are habits of machines of one
kind: what the other trucks show of them replaces what is assumed, more so the more of them do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from spreadplan.calibration.assumptions import FORM_TRUCKS, LEVEL_SHARE, STARTUP_U_PCT

NEAR_FULL_PCT: Final = 90.0
"""A truck that was tested up to this output shows whether it levels off."""


@dataclass(frozen=True)
class UsualForm:
    """What is known of a curve's ends before a truck's own tests.

    startup_u_pct : standard uncertainty of the output at which material starts to flow, points.
    level_share : share of feeders that stop rising between half and full output.
    """

    startup_u_pct: float = field(default_factory=lambda: STARTUP_U_PCT)
    level_share: float = field(default_factory=lambda: LEVEL_SHARE)


@dataclass(frozen=True)
class FormSeen:
    """What one truck's tests show.

    start_pct, start_u_pct : start-up and its standard uncertainty, points; NaN: not shown.
    levelled : 1 where the feeder stops rising, 0 where it was seen not to; NaN: not shown.
    """

    start_pct: float = np.nan
    start_u_pct: float = np.nan
    levelled: float = np.nan


def learn_form(others: Sequence[FormSeen]) -> UsualForm:
    """What other trucks say of a curve's ends.

    Parameters
    ----------
    others : what each of them shows, in any order.

    Returns
    -------
    The assumed figures, which weigh as much as `FORM_TRUCKS` trucks, averaged with what was seen:
    the mean square of the start-ups (less that of their own uncertainty) and the share of feeders
    that level off.

    >>> learn_form([FormSeen(levelled=1.0)] * 4).level_share
    0.675
    """
    usual = UsualForm()
    starts = np.array([(one.start_pct, one.start_u_pct) for one in others]).reshape(-1, 2)
    starts = starts[~np.isnan(starts).any(axis=1)]
    squares = np.maximum(starts[:, 0] ** 2 - starts[:, 1] ** 2, 0.0)
    levelled = np.array([one.levelled for one in others if not np.isnan(one.levelled)])
    return UsualForm(
        startup_u_pct=float(np.sqrt(_with_assumed(squares, usual.startup_u_pct**2))),
        level_share=_with_assumed(levelled, usual.level_share),
    )


def _with_assumed(seen: np.ndarray[tuple[int], np.dtype[np.float64]], assumed: float) -> float:
    whole = FORM_TRUCKS * assumed + float(np.sum(seen))
    return whole / (FORM_TRUCKS + len(seen))
