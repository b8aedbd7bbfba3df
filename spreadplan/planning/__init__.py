"""Routes, rates, settings, material and stock: the plan of a storm."""

from spreadplan.planning.plan import PlanInputs, Progress, StormPlan, plan_storm
from spreadplan.planning.takeover import plan_and_takeover

__all__ = ["PlanInputs", "Progress", "StormPlan", "plan_and_takeover", "plan_storm"]
