"""What pages show, computed once and kept, and commands that run as jobs."""
