"""The ratio of true to reported mass in one storm: the truck's season, and this storm's tickets.

The season tells what is usual of a truck; how a single storm differs from that is known from the
storm's own tickets, as far as they are complete. Both are combined here, in ln ratio, with normal
errors. What a truck is judged by stays the season: one odd ticket condemns nobody.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from spreadplan.metrology import Z95
from spreadplan.reconcile.hoppers import WRONG_LOADS
from spreadplan.reconcile.ratio_model import student

SCALE_U_REL: Final = 0.003
"""Relative standard uncertainty of a scale's own error, common to all tickets of a storm. Common
practice, no source."""

RAN_EMPTY: Final = 0.3
"""Least weight of tickets that account for less than the season's ratio makes of the report: the
hopper may have run empty while the feeder turned, and what was reported then was never there.
Common practice, no source."""
SCATTER_DOF: Final = 10.0
"""Storms of right tickets scatter with tails little heavier than a normal error's: gross errors
have their own share here. Common practice, no source."""


def in_this_storm(table: pd.DataFrame, tickets: pd.DataFrame) -> pd.DataFrame:
    """Ratios of this storm; those of the season move to season_ratio, season_lo and
    season_hi.

    Parameters
    ----------
    table : truck_id, material, ratio, ratio_lo, ratio_hi, ratio_u, ratio_fleet_u of the season,
        p_missing (probability that load tickets of this storm are missing), storm_sd (scatter of ln
        ratio from storm to storm), wrong_share (of trucks and storms whose tickets are wrong as
        such), exchanged (see `exchanged.exchanged`; none where it is left out), carried_lb,
        carried_u_lb (see `ratio_model.RatioPosterior`).
    tickets : as `tickets.storm_tickets` returns them, of this storm.

    Returns
    -------
    ``table`` with ratio, ratio_lo, ratio_hi, ratio_u, ratio_fleet_u and ratio_storm_u of this
    storm; the last is the part of ratio_u that other storms don't share.

    With m and V the mean and variance of ln ratio over the season, t² the variance from storm to
    storm, y what the tickets say and w² its variance, and B = t² / (t² + w²), the storm's mean is
    (1 - B) m + B y and its variance (1 - B)² V + B w². Without complete tickets B is 0 and the
    variance V + t². Tickets that may be incomplete, or so far from the season that a mistake is the
    likelier cause, count with the probability that they are right.
    """
    keys = ["truck_id", "material"]
    carried = [*keys, "carried_lb", "carried_u_lb"]
    own = table[carried].merge(tickets, on=keys, how="left", validate="one_to_one")
    said, said_u = _said(own)
    wrong_u = _wrong_u(own)
    season, season_u = np.log(table["ratio"].to_numpy(float)), table["ratio_u"].to_numpy(float)
    complete = np.where(
        np.isfinite(said), 1.0 - table["p_missing"].fillna(0.0).to_numpy(float), 0.0
    )
    said, said_u = np.where(complete > 0.0, said, season), np.where(complete > 0.0, said_u, 1.0)
    storm_sd = table["storm_sd"].to_numpy(float)
    right = _credible(
        said - season,
        np.hypot(storm_sd, season_u),
        said_u,
        wrong_u,
        table["wrong_share"].to_numpy(dtype=float),
    )
    may_lack = (said < season) & (table.get("exchanged", "") == "")
    complete = complete * np.where(may_lack, np.maximum(right, RAN_EMPTY), right)
    share = storm_sd**2 / (storm_sd**2 + said_u**2)
    with_tickets = (1.0 - share) * season + share * said
    variance_with = (1.0 - share) ** 2 * season_u**2 + share * said_u**2
    variance_without = season_u**2 + storm_sd**2
    middle = complete * with_tickets + (1.0 - complete) * season
    variance = (
        complete * variance_with
        + (1.0 - complete) * variance_without
        + complete * (1.0 - complete) * (with_tickets - season) ** 2
    )
    u = np.sqrt(variance)
    half = Z95 * u
    of_season = 1.0 - complete * share
    fleet_u = table["ratio_fleet_u"].to_numpy(float) * of_season
    return table.assign(
        season_ratio=table["ratio"],
        season_lo=table["ratio_lo"],
        season_hi=table["ratio_hi"],
        ratio=np.exp(middle),
        ratio_lo=np.exp(middle - half),
        ratio_hi=np.exp(middle + half),
        ratio_u=u,
        ratio_fleet_u=np.minimum(fleet_u, u),
        ratio_storm_u=np.sqrt(np.maximum(variance - (of_season * season_u) ** 2, 0.0)),
    )


def _credible(
    apart: np.ndarray,
    usual_u: np.ndarray,
    said_u: np.ndarray,
    wrong_u: np.ndarray,
    wrong_share: np.ndarray,
) -> np.ndarray:
    """Probability that tickets which lie so far from the season are right."""
    spread = np.hypot(usual_u, said_u)
    right = (1.0 - wrong_share) * _student_density(apart / spread, SCATTER_DOF) / spread
    wide = np.hypot(spread, wrong_u)
    return np.asarray(right / (right + wrong_share * student(apart / wide) / wide))


def _wrong_u(own: pd.DataFrame) -> np.ndarray:
    """How far from the truth tickets are that are wrong as such, relative."""
    net = (own["loaded_lb"] - own["returned_lb"]).to_numpy(float)
    typical = own["typical_load_lb"].fillna(0.0).to_numpy(float)
    return np.asarray(WRONG_LOADS * typical / np.where(net > 0.0, net, np.inf))


def _student_density(t: np.ndarray, dof: float) -> np.ndarray:
    """Student's density, by definition (`scipy.stats`, which has it, takes long to import)."""
    half = (dof + 1.0) / 2.0
    size = np.exp(special.gammaln(half) - special.gammaln(dof / 2.0)) / np.sqrt(dof * np.pi)
    return np.asarray(size * (1.0 + t**2 / dof) ** -half)


def _said(own: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """ln of true over reported mass by the tickets alone, and its standard uncertainty; NaN: none.

    ``own`` : of `tickets.storm_tickets`, with carried_lb and carried_u_lb.
    """
    net = (own["loaded_lb"] - own["returned_lb"] + own["carried_lb"]).to_numpy(float)
    reported = own["reported_lb"].to_numpy(float)
    usable = (own["loads"].fillna(0).to_numpy(float) > 0) & (net > 0.0) & (reported > 0.0)
    usable &= own["comparable"].eq(True).to_numpy(dtype=bool)
    net, reported = np.where(usable, net, 1.0), np.where(usable, reported, 1.0)
    of_paper = own["ticket_u_lb"].fillna(0.0).to_numpy(float)
    lb = np.hypot(of_paper, own["carried_u_lb"].to_numpy(float))
    of_method = np.hypot(own["method_u"].fillna(0.0).to_numpy(float), SCALE_U_REL)
    u = np.hypot(lb / net, of_method)
    return np.where(usable, np.log(net / reported), np.nan), u
