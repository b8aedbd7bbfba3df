"""Forms and uploads become files of the workspace, checked, all or none."""
