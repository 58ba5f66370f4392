"""The command line: parse, call, print. Commands are listed in the order in which they are imported here."""

from needlecoach.cli import score, look, serve, live, capture, phantom, cohort, agree, replay, demo  # isort: skip
from needlecoach.cli.root import app, main

__all__ = [
    "agree",
    "app",
    "capture",
    "cohort",
    "demo",
    "live",
    "look",
    "main",
    "phantom",
    "replay",
    "score",
    "serve",
]
