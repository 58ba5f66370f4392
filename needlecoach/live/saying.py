"""Which state word holds: the worst that keeps the picture from being followed, else what the needle does."""

from __future__ import annotations

from needlecoach.live.state import Warned
from needlecoach.live.words import StateKey, StateWord, state_word
from needlecoach.model import Sight

# A sight holds for so long before it is said: shorter than anyone reads, longer than a flicker.
STEADY_S = 0.15
# Fewer pictures a second than this don't follow a hand (common practice, no source).
SLOW_FPS = 12.0
# Where less than this share of them is followed, the machine is too busy; half as many do for most hands.
BEHIND_SHARE = 0.6
# More recordings that wait for their score than this come of a machine that can't keep up.
MOST_WAITING = 2
_SIGHTS: dict[Sight, StateKey] = {
    "none": "ready",
    "seen": "needle_in",
    "inferred": "tip_hidden",
    "lost": "tip_lost",
}
_SOURCES: dict[str, StateKey] = {
    "opening": "opening",
    "stalled": "no_picture",
    "gone": "no_picture",
    "ended": "ended",
}


class SteadySight:
    """The sight of the needle without flicker."""

    def __init__(self) -> None:
        self.said: Sight | None = None
        self._newest: Sight | None = None
        self._since_s = 0.0

    def see(self, time_s: float, sight: Sight) -> None:
        """Take in the sight of the next followed frame."""
        if sight != self._newest:
            self._newest, self._since_s = sight, time_s
        if self.said is None or time_s - self._since_s >= STEADY_S:
            self.said = sight

    def forget(self) -> None:
        """Nothing is followed any more."""
        self.said = self._newest = None


def word_of(
    source: str,
    source_words: str,
    *,
    laying: bool,
    is_laid: bool,
    setup_fault: str,
    picture_fault: str,
    sight: Sight | None,
    caution: str,
) -> StateWord:
    """Return what a session says in large words.

    Parameters
    ----------
    source, source_words : state of the camera, and the same for a person
    laying, is_laid, setup_fault : whether marks are being laid on the picture, are laid, or why they can't be
    picture_fault : "too_dark", "frozen", "screen_out_of_view" or ""
    sight : of the needle, None while nothing is followed
    caution : shown between tries of visitors, "" else
    """
    if source in _SOURCES:
        return state_word(_SOURCES[source], None if source == "opening" else source_words or None)
    if laying:
        return state_word("settling")
    if setup_fault:
        return state_word("cant_settle", setup_fault)
    if not is_laid:
        return state_word("marks_needed")
    if picture_fault:
        return state_word(picture_fault)  # type: ignore[arg-type]
    if caution and sight in (None, "none"):
        return state_word("sharps", caution)
    return state_word("settling" if sight is None else _SIGHTS[sight])


def warnings_of(
    *, recording: str, fps: float, followed_fps: float | None, trouble: str, n_left_over: int, n_waiting: int
) -> tuple[Warned, ...]:
    """Return what holds now and does not stop the session.

    Parameters
    ----------
    recording, trouble : words of the recorder and of what keeps the attempts, "" where all is well
    fps : pictures a second, 0 where none come
    followed_fps : how many of them are followed; None where that is not known
    n_left_over : recordings of before that have marks and no results
    n_waiting : recordings that wait for their score, or have it made
    """
    found = []
    if recording:
        found.append(Warned("recording", recording))
    if 0 < fps < SLOW_FPS:
        found.append(Warned("slow", f"Only {fps:.0f} pictures a second come, too few to follow a hand."))
    elif followed_fps is not None and followed_fps < BEHIND_SHARE * fps:
        slow = f"Only {followed_fps:.0f} of {fps:.0f} pictures a second can be followed: close other programs"
        found.append(Warned("behind", f"{slow}. All are recorded, and scored again with hindsight."))
    if n_waiting > MOST_WAITING:
        found.append(Warned("waiting", f"{n_waiting} recordings wait for their score with hindsight."))
    if trouble:
        found.append(Warned("trouble", trouble))
    if n_left_over:
        how = "needlecoach score, with the files in recordings, makes them"
        found.append(Warned("left over", f"Earlier recordings without results: {n_left_over}; {how}."))
    return tuple(found)
