"""Freezing points of brines, as published. Rows: weight percent of dry chemical, degrees F.

Lange's Handbook of Chemistry, 15th edition, McGraw-Hill, 1999, Table 5.13, p. 5.86. The columns
hold rows that were read in the source, but for NaCl 10 to 14 %, which are from memory: they lie on
the curve of their neighbors, and at 10 % a second series has 20.1 F (CRC Handbook of Chemistry and
Physics, 56th ed., read second-hand). Left out: MgCl2 19 % (its Celsius and Fahrenheit columns
disagree), and MgCl2 above 22 %, where a hydrate and no longer ice is what freezes out. CaCl2 stands
apart: its curve is from memory.
"""

from __future__ import annotations

SOURCE = "Lange's Handbook of Chemistry, 15th ed., Table 5.13"

NACL_FREEZING_F: tuple[tuple[float, float], ...] = (
    (0.0, 32.0), (1.0, 31.0), (2.0, 30.0), (3.0, 28.9), (4.0, 27.8), (5.0, 26.7), (6.0, 25.5),
    (7.0, 24.2), (8.0, 22.9), (9.0, 21.6), (10.0, 20.2), (11.0, 18.8), (12.0, 17.3), (13.0, 15.7),
    (14.0, 14.1), (15.0, 12.4), (16.0, 10.6), (17.0, 8.7), (18.0, 6.7),
    (19.0, 4.6), (20.0, 2.4), (21.0, 0.0), (22.0, -2.5), (23.0, -5.2), (23.3, -6.0),
)  # fmt: skip

#: water itself freezes at 32 F; the table starts at 5 %.
MGCL2_FREEZING_F: tuple[tuple[float, float], ...] = (
    (0.0, 32.0), (5.0, 26.4), (6.0, 25.0), (7.0, 23.5), (8.0, 21.8), (9.0, 20.0), (10.0, 17.9),
    (11.0, 15.7), (12.0, 13.1), (13.0, 10.3), (14.0, 7.3), (15.0, 4.0), (16.0, 0.4), (17.0, -3.5),
    (18.0, -7.7), (20.0, -17.3), (21.0, -23.0), (22.0, -27.0),
)  # fmt: skip

#: from memory: freezing points of the CRC Handbook of Chemistry and Physics, table of concentrative
#: properties of aqueous solutions, in degrees C to 0.01; check it before you rely on it. The last
#: point is the eutectic, read in FHWA-RD-95-202 (1996), appendix A: -60 F at 29.8 %.
CACL2_FREEZING_F: tuple[tuple[float, float], ...] = (
    (0.0, 32.0), (1.0, 31.2), (2.0, 30.4), (3.0, 29.6), (4.0, 28.7), (5.0, 27.8), (6.0, 26.7),
    (7.0, 25.6), (8.0, 24.3), (9.0, 22.9), (10.0, 21.5), (12.0, 18.1), (14.0, 14.3), (16.0, 9.9),
    (18.0, 4.8), (20.0, -0.9), (22.0, -7.1), (24.0, -13.5), (26.0, -21.5), (28.0, -30.5),
    (29.8, -60.0),
)  # fmt: skip
