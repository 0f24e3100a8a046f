"""Inspect knurls from photos."""

__version__ = "0.1.0"
