"""The command line: parse, call, print. Commands are listed in the order in which they are imported here."""

from needlecoach.cli import (
    agree,
    capture,
    cohort,
    demo,
    live,
    look,
    phantom,
    phantom_check,
    replay,
    score,
    serve,
)  # isort: skip
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
    "phantom_check",
    "replay",
    "score",
    "serve",
]
