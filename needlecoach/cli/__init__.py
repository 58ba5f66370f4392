"""The command line: parse, call, print. Commands are listed in the order in which they are imported here."""

<<<<<<< HEAD
from needlecoach.cli import score, look, serve, live, capture, cohort, agree, replay, demo  # isort: skip
from needlecoach.cli.root import app, main

__all__ = ["agree", "app", "capture", "cohort", "demo", "live", "look", "main", "replay", "score", "serve"]
=======
from needlecoach.cli import score, look, serve, cohort, agree, replay, demo, phantom  # isort: skip
from needlecoach.cli.root import app, main

__all__ = ["agree", "app", "cohort", "demo", "look", "main", "phantom", "replay", "score", "serve"]
>>>>>>> plan
