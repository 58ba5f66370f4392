"""The command line: parse, call, print. Commands are listed in the order in which they are imported here."""

from needlecoach.cli import score, look, serve, cohort, agree, replay, demo, phantom, phantom_check  # isort: skip
from needlecoach.cli.root import app, main

__all__ = [
    "agree",
    "app",
    "cohort",
    "demo",
    "look",
    "main",
    "phantom",
    "phantom_check",
    "replay",
    "score",
    "serve",
]
