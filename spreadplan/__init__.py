"""Application-rate planning and compliance reporting for winter road maintenance."""

__version__ = "0.1.0"
