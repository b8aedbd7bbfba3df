"""One table of every column that a workspace may hold: it drives reading, checks and the docs."""
