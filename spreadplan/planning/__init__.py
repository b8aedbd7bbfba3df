"""Routes, rates, settings, material and stock: the plan of a storm."""

from spreadplan.planning.plan import PlanInputs, Progress, StormPlan, plan_storm

__all__ = ["PlanInputs", "Progress", "StormPlan", "plan_storm"]
