"""Telemetry files in blocks to clean records, truck by truck; what is refused, with its reason."""
