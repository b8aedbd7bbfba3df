"""Reconciliation: telemetry to matched traces, attributed mass, true mass and verdicts."""
