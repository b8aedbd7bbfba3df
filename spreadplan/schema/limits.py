"""What quantities can be that stand in several files; beyond it they are slips of the pen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: pavement temperature, °F. Common practice, no source.
PAVEMENT_F: Final = (-80.0, 150.0)
#: standard uncertainty of a forecast pavement temperature at most, °F. Common practice, no source.
PAVEMENT_U_F: Final = 36.0
PAVEMENT_U_C: Final = 20.0
#: air temperature, °F. Common practice, no source.
AIR_F: Final = (-80.0, 130.0)


@dataclass(frozen=True)
class RateLimit:
    """Limits of a rate in one of the inside bases.

    usual : above it a rate is taken, with a caution.
    most : above it a rate is refused: no spreader puts down so much in one pass.
    """

    usual: float
    most: float


#: The highest published rates known here are those of abrasives, 500 to 1,500 lb per lane-mile
#: (NCHRP Report 526, Transportation Research Board, 2004, p. 25). The limits lie well above them:
#: common practice, no source. Per area they are those of a 12 ft lane, per volume those of a liquid
#: of 10 lb/gal, each rounded up.
RATE_LIMITS: Final = {
    "lb_per_lane_mile": RateLimit(2e3, 5e3),
    "g_per_m2": RateLimit(160.0, 400.0),
    "gal_per_lane_mile": RateLimit(200.0, 500.0),
}
