"""Seasons whose physics, paper and receivers are not what spreadplan assumes; see `trial`."""
