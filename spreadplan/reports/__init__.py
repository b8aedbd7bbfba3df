"""Reports: view models and charts, laid out by the templates as HTML and PDF."""

import logging

# Where it keeps its list of fonts, and that it makes one, is nothing to a planner.
logging.getLogger("matplotlib").setLevel(logging.ERROR)
