"""Who may import whom: every module's imports are read, not run, and held against the table of rooms."""

import ast
from pathlib import Path

import pytest

import needlecoach

PACKAGE = Path(needlecoach.__file__).parent

# Every room may also import itself, errors and model. EXTRA: the two modules of reporting that open a clip.
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "model": set(),
    "clips": set(),
    "marking": set(),
    "marks": {"marking"},
    "screen": set(),
    "finding": set(),
    "phantoms": set(),
    "apart": set(),
    "tracking": {"finding", "apart"},
    "scoring": set(),
    "block": {"scoring"},
    "blockuse": {"block", "marks", "screen"},
    "blockcheck": {"clips", "screen", "marks"},
    "filmed": {"clips", "screen"},
    "analyse": {"filmed", "clips", "screen", "marks", "finding", "tracking", "scoring"},
    "corrections": {"marks"},
    "workbench": {"analyse", "clips", "corrections", "tracking"},
    "recording_advice": set(),
    "inspection": {"filmed", "recording_advice", "clips", "screen", "marks", "finding"},
    "standards": {"scoring"},
    "earlier": {"reporting"},
    "cohort": {"scoring", "apart"},
    # What it composes; it shows what the whole tool makes of invented data.
    "demo": {"reporting", "scoring", "phantoms", "marks", "standards", "scored", "gathered", "openday"},
    "gather": {"apart", "marks", "scoring", "reporting", "cohort"},
    "keyfile": {"cohort"},
    "gathered": {"scoring", "cohort", "gather", "keyfile", "reporting"},
    "toolvalues": {"cohort", "gather", "reporting"},
    "agreement": {"cohort", "reporting", "toolvalues"},
    "casting": {"block", "screen", "reporting"},
    "checking": {"block", "blockcheck", "marks", "reporting"},
    "console": set(),
    "capturing": {"clips", "console"},
    "commands": {"clips", "marks", "inspection", "reporting", "console"},
    "reporting": {"cohort"},
    "scored": {
        "blockuse",
        "clips",
        "marks",
        "corrections",
        "analyse",
        "workbench",
        "tracking",
        "scoring",
        "standards",
        "earlier",
        "reporting",
    },
    "review": {
        "blockuse",
        "clips",
        "marks",
        "corrections",
        "analyse",
        "workbench",
        "inspection",
        "reporting",
        "scored",
        "screen",
        "standards",
    },
    "batch": {"apart", "clips", "marks", "corrections", "tracking", "reporting", "scored"},
    "watching": set(),
    "openday": {"clips", "marks", "analyse", "reporting", "watching", "console"},
    "live": {
        "apart",
        "block",
        "blockuse",
        "clips",
        "marks",
        "screen",
        "filmed",
        "analyse",
        "tracking",
        "scoring",
        "scored",
        "reporting",
        "review",
        "console",
        "openday",
    },
    "pages": {"clips", "corrections", "reporting", "review", "scored"},
    "cli": {
        "block",
        "clips",
        "marks",
        "screen",
        "finding",
        "phantoms",
        "tracking",
        "scoring",
        "analyse",
        "reporting",
        "commands",
        "console",
        "inspection",
        "batch",
        "scored",
        "standards",
        "pages",
        "cohort",
        "gather",
        "gathered",
        "agreement",
        "demo",
        "openday",
        "live",
        "capturing",
        "casting",
        "blockcheck",
        "checking",
    },
}
# And the one that asks scoring where tip and target lie along the strip.
EXTRA: dict[str, set[str]] = {
    "reporting.replay": {"clips"},
    "reporting.bigscreen.film": {"clips"},
    "reporting.pagedata": {"scoring"},
}


def modules(package: Path) -> dict[str, Path]:
    """Dotted name below the package -> file, e.g. scoring.passes; the package's front door is left out."""
    names = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package).with_suffix("").parts
        if parts not in {("__init__",), ("__main__",)}:
            names[".".join(part for part in parts if part != "__init__")] = path
    return names


def imported(source: str, module: str, *, is_package: bool = False) -> set[str]:
    """Dotted names below needlecoach that a module's source imports; "" for the package itself."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = ["needlecoach", *module.split(".")]
                here = here[: len(here) - node.level + is_package]
                base = ".".join([*here, base] if base else here)
            names = [f"{base}.{alias.name}" if base == "needlecoach" else base for alias in node.names]
        found |= {
            name.removeprefix("needlecoach").lstrip(".")
            for name in names
            if (name + ".").startswith("needlecoach.")
        }
    return found


def breaches(package: Path) -> list[str]:
    """Sentences: one per forbidden import, per module named utils, per room that is not in the table."""
    wrong = []
    for module, path in modules(package).items():
        room = module.split(".")[0]
        if "utils" in module.split("."):
            wrong.append(f"{module}: no utils; put the function in the room that needs it")
        if room not in ALLOWED:
            wrong.append(f"{module}: room {room!r} is not in the table; decide who may import it")
            continue
        base = {"errors": set(), "model": {"errors"}}.get(room, {"errors", "model"})
        allowed = {room} | base | ALLOWED[room] | EXTRA.get(module, set())
        for name in sorted(
            imported(path.read_text(encoding="utf-8"), module, is_package=path.stem == "__init__")
        ):
            # What is not a room is a name defined in the package's front door, such as __version__.
            if name.split(".")[0] not in allowed and (name == "" or name.split(".")[0] in ALLOWED):
                wrong.append(f"{module} must not import {name or 'needlecoach'}")
    return wrong


def test_every_module_keeps_the_import_rule():
    assert {"errors", "model", "scoring.passes"} <= set(modules(PACKAGE))
    assert breaches(PACKAGE) == []


@pytest.mark.parametrize(
    ("module", "line", "wrong"),
    [
        ("scoring/passes.py", "from needlecoach.finding.ridge import x", True),
        ("scoring/passes.py", "from needlecoach import clips", True),
        ("scoring/passes.py", "from needlecoach import __version__", False),
        ("scoring/passes.py", "from ..tracking import tip", True),
        ("scoring/passes.py", "from . import metrics", False),
        ("scoring/__init__.py", "from .passes import x", False),
        ("scoring/__init__.py", "from ..cli import x", True),
        ("scoring/passes.py", "def f():\n    import needlecoach.analyse", True),
        ("scoring/passes.py", "import needlecoach.model\nfrom needlecoach.errors import MarksError", False),
        ("tracking/tip.py", "from needlecoach.finding import ridge", False),
        ("finding/ridge.py", "from needlecoach.tracking import tip", True),
        ("reporting/replay.py", "from needlecoach.clips import open_clip", False),
        ("reporting/page.py", "from needlecoach.clips import open_clip", True),
        ("reporting/page.py", "from needlecoach.scoring import score_track", True),
        ("analyse.py", "from needlecoach.cli import main", True),
        ("model.py", "from needlecoach.errors import ClipError", False),
        ("errors.py", "from needlecoach.model import Track", True),
        ("scoring/utils.py", "", True),
        ("helpers.py", "", True),
    ],
)
def test_a_breach_is_told(tmp_path, module, line, wrong):
    path = tmp_path / module
    path.parent.mkdir(exist_ok=True)
    path.write_text(line)
    assert bool(breaches(tmp_path)) is wrong
