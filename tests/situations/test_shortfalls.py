"""The list of what falls short names tests that are there."""

import json
import re
from pathlib import Path

FOLDER = Path(__file__).parent


def test_every_shortfall_names_a_test() -> None:
    for name in json.loads((FOLDER / "shortfalls.json").read_text(encoding="utf-8")):
        file, test = re.fullmatch(r"(\w+\.py)::(\w+)(?:\[.*\])?", name).groups()
        assert f"def {test}(" in (FOLDER / file).read_text(encoding="utf-8"), name
