"""Scores practice of ultrasound-guided needle sampling on gelatin phantoms."""

from importlib.metadata import version

__version__ = version("needlecoach")
