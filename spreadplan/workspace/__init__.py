"""Files of a workspace → validated tables in one unit system. Nothing is computed here."""

from spreadplan.workspace.load import Settings, Workspace, read_workspace

__all__ = ["Settings", "Workspace", "read_workspace"]
