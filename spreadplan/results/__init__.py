"""Results as files: tables, GeoPackage, reports; all of a command or none of it."""

from spreadplan.results.store import ResultStore, open_results

__all__ = ["ResultStore", "open_results"]
