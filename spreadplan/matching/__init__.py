"""Map matching on its own: traces of vehicles on a directed network. It knows no salt."""
