"""Figures that calibration takes for granted where a test does not supply them.

None of them was found in a published source: each is common practice, no source, unless its
comment says otherwise. They stand in one place so that a reader can see all of them at once.
"""

from typing import Final

REPEATABILITY_REL: Final = 0.03
"""Run-to-run standard deviation of a spreader's discharge, relative. A starting point only: the
other trucks' tests and the truck's own replace it. Common practice, no source."""

PRIOR_DOF: Final = 4.0
"""How many degrees of freedom the figure above is worth where no other truck has repeated tests, so
that two lucky repeats do not make a spreader look perfect. Common practice, no source."""

FLEET_LOG_SD: Final = 0.5
"""Before any test: standard deviation of the logarithm of a fleet's usual scatter about the figure
above, so 1 to 8 percent. Common practice, no source."""

DAY_REL: Final = 0.015
"""Standard deviation of what all runs of one day have in common, relative: moisture and grain of
the salt, the oil's temperature, the feeder set up anew. A starting point: trucks tested on several
days replace it. Common practice, no source."""

DAY_LOG_SD: Final = 0.5
"""Before any test: standard deviation of the logarithm of the figure above. Common practice, no
source."""

DAY_GAP_H: Final = 12.0
"""Tests further apart are of another day, hours. Common practice, no source."""

LEVEL_SHARE: Final = 0.35
"""Share of feeders that stop rising somewhere between half and full output. Common practice, no
source."""

STARTUP_U_PCT: Final = 5.0
"""Standard uncertainty of the output at which material starts to flow, in points of feeder
output, where no test shows it. Common practice, no source."""

FORM_TRUCKS: Final = 4.0
"""How many trucks the two figures above weigh as much as, where other trucks of the fleet show what
theirs are. Common practice, no source."""

STOPWATCH_U_S: Final = 0.3
"""Standard uncertainty of a hand-timed run, start and stop together, seconds. Common practice,
no source."""

FILL_SPREAD_REL: Final = 0.02
"""Container-to-container standard deviation of containers filled to the same mark, relative, where
fewer than three were weighed. Common practice, no source."""

MIN_CONTAINERS_FOR_SPREAD: Final = 3
"""Containers that must be weighed one by one before their own spread is used."""

SCALE_DIVISION_LB: Final = {"container": 1.0, "direct": 1.0, "vehicle_scale": 20.0}
"""Scale division by weighing method where none is given, lb. Common practice, no source."""

SIGNIFICANCE: Final = 0.05
"""A further parameter is taken only when it is significant at this level."""

CONTRADICTION_SIGNIFICANCE: Final = 0.01
"""Tests are said to contradict each other when chance explains their scatter less often."""

ONE_OUTPUT_SPREAD_PCT: Final = 10.0
"""Outputs that lie within fewer points than this count as one output."""

SAME_OUTPUT_PCT: Final = 2.5
"""Two open-loop tests are compared for drift when their outputs differ by no more, points."""

SHORT_RUN_S: Final = 60.0
"""A shorter run draws a warning, seconds. Common practice, no source."""

ENGINE_RPM: Final = (1200.0, 1400.0)
"""Engine speed outside this band draws a warning. Common practice, no source."""

CLOSED_LOOP_OUTPUT_PCT: Final = (35.0, 40.0)
"""Feeder output recommended for closed-loop tests, percent. Common practice, no source."""

FAR_FROM_BAND_PCT: Final = 10.0
"""A closed-loop test further than this from the band above draws a warning, points."""

WORKING_FLOOR_PCT: Final = 20.0
"""Lowest feeder output at which advice asks for the calibration target: below it the start-up
threshold rules and no spreader holds a percentage. Common practice, no source."""

MAX_FURTHER_RUNS: Final = 6
"""Advice never asks for more runs than this at one time."""

MAX_RUN_S: Final = 300.0
"""Longest run that advice asks for, seconds. Common practice, no source."""

CONTAINER_NET_LB: Final = 40.0
"""What one hand-carried container holds where the tests do not say, lb. Common practice, no
source."""

LIQUID_REPEATABILITY_REL: Final = 0.02
"""Run-to-run standard deviation of a liquid circuit, and of one nozzle, relative; a circuit's own
repeats replace it. Common practice, no source."""

CATCH_DIVISION_GAL: Final = 0.1
"""Smallest step of a catch container where none is given, gal. Common practice, no source."""

NOZZLE_TOLERANCE: Final = 0.10
"""A nozzle this far from the others is clogged or worn, as a share of what they give. Agricultural
extension services write of 5 to 10 percent; the figure itself was not read in a source: common
practice, no source."""

BEYOND_SETTINGS_REL: Final = 0.10
"""Standard uncertainty that each doubling of the flow beyond the tested ones adds, relative.
Common practice, no source."""

UNLIKE_SETTING: Final = 2.0
"""A flow this many times too great or too small draws a warning: gallons for liters are 3.8.
Common practice, no source."""
