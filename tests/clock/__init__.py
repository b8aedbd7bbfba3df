"""The truck's clock, driven again by a simulation that knows nothing of the program."""
