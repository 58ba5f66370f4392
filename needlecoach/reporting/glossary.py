"""The words of a summary, for someone who reads one for the first time."""

from __future__ import annotations

from needlecoach.model import Scorecard

_ALWAYS = (
    (
        "Tip, or point",
        "the needle’s sharp end; its shaft is the rest of it.",
    ),
    (
        "Plane",
        "the thin slice of the phantom that the probe shows. What lies in front of it or behind it is "
        "not in the picture.",
    ),
    (
        "Seen, inferred, lost",
        "seen: the tip shows in the picture. Inferred: its place was worked out from what moved around it. "
        "Lost: its place is not known.",
    ),
    (
        "Blind advance",
        "going deeper, to where the tip had not been before, while the tip could not be seen.",
    ),
    (
        "Attempt",
        "from the moment the needle comes into the picture until it has left it.",
    ),
    (
        "Pass",
        "one push forward of at least 3 mm. A stroke is a shorter movement to and fro.",
    ),
    (
        "Redirection",
        "a pass at another angle than the one before.",
    ),
    (
        "±",
        "one standard uncertainty: about two of three such values lie within it of the true one. It is "
        "stated for distances.",
    ),
)
_TARGET = (
    (
        "Target",
        "what was to be reached, as a person drew its outline. Its near wall is the one the needle meets "
        "first, its far wall the other.",
    ),
    (
        "Closest approach",
        "the moment when the tip was nearest to the target’s centre or deepest within it.",
    ),
)
_CORE = (
    (
        "Notch",
        "the hollow in the side of a core needle that takes the sample. The stretch between it and the "
        "point is the dead space, which takes none.",
    ),
    (
        "Firing",
        "a spring throws the needle’s inner or outer part forward and cuts the sample. The throw is how "
        "far that part jumps.",
    ),
)


def words_used(card: Scorecard) -> list[tuple[str, str]]:
    """Words that a summary of this clip uses, each with what it means."""
    target = _TARGET if card.marks.target is not None else ()
    core = _CORE if card.marks.task == "core" else ()
    return [*target, *core, *_ALWAYS]
