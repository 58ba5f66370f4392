"""Windows give the same rows as one look at the whole would; numbered pictures stand in for a recording."""

from __future__ import annotations

import threading
import time
import weakref
from collections.abc import Callable
from concurrent.futures import Future

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from needlecoach.tracking import windows as room
from needlecoach.tracking.windows import (
    MOST_FRAMES,
    QUIET_S,
    SETTLED_S,
    SHARED_S,
    SURE_S,
    WINDOW_S,
    NeedleRows,
    Window,
    Windows,
    seam,
)

FPS = 30.0
# Pictures in a window at that rate, and a needle that is in for a few seconds every 20.
FULL = round(WINDOW_S * FPS)


def in_and_out(n: int, *, fps: float = FPS) -> np.ndarray:
    """Presence (n,): in for the last 9 of every 20 s."""
    return np.arange(n) / fps % 20 >= 11


class Told:
    """A `follow` that tells of every row its frame number, and which frames it was shown together.

    The number comes in as the first of the shift's two parts, the presence as the second.
    """

    def __init__(self, *, takes_s: float = 0.0) -> None:
        self.takes_s = takes_s
        self.seen: list[tuple[int, int]] = []

    def __call__(self, window: Window) -> NeedleRows:
        pictures, time_s, shift = window.pictures, window.time_s, window.drift
        assert len(pictures) == len(time_s) == len(shift)
        assert [int(picture[0, 0]) for picture in pictures] == shift[:, 0].tolist()
        time.sleep(self.takes_s)
        self.seen.append((int(shift[0, 0]), int(shift[-1, 0]) + 1))
        number, present = shift[:, 0].copy(), shift[:, 1] > 0
        pair = np.stack([number, time_s], axis=-1)
        strip = np.full((len(number), 1 + int(number[0]) % 3), 7, dtype=np.uint8)
        return NeedleRows(
            present, pair, present, number, pair, number, number, pair, *[number] * 3, strip, pair, pair
        )


def rows_of(follow: Callable[..., NeedleRows], time_s: np.ndarray, present: np.ndarray) -> NeedleRows:
    with Windows(follow) as windows:
        for i, (at_s, here) in enumerate(zip(time_s, present, strict=True)):
            windows.add(np.full((1, 1), i, dtype=np.int32), float(at_s), np.array([i, here], dtype=float))
        return windows.rows()


def told(n: int, *, fps: float = FPS, present: np.ndarray | None = None) -> tuple[NeedleRows, Told]:
    follow = Told()
    here = in_and_out(n, fps=fps) if present is None else present
    return rows_of(follow, np.arange(n) / fps, here), follow


def assert_complete(rows: NeedleRows, n: int, *, fps: float = FPS) -> None:
    assert rows.tip_sd_mm.tolist() == list(range(n))
    np.testing.assert_array_equal(rows.tip_px, np.stack([np.arange(n), np.arange(n) / fps], axis=-1))


class AtOnce:
    """A worker that has done everything the moment it is asked to."""

    def __init__(self, **_: object) -> None:
        pass

    def submit(self, follow: Callable[..., NeedleRows], *args: object) -> Future[NeedleRows]:
        done: Future[NeedleRows] = Future()
        done.set_result(follow(*args))
        return done

    def shutdown(self, **_: object) -> None:
        pass


class NotBeforeItMust:
    """A worker that does nothing until its result is waited for."""

    class Promise:
        def __init__(self, work: Callable[[], NeedleRows]) -> None:
            self._work = work

        def done(self) -> bool:
            return False

        def result(self) -> NeedleRows:
            return self._work()

    def __init__(self, **_: object) -> None:
        pass

    def submit(self, follow: Callable[..., NeedleRows], *args: object) -> Promise:
        return self.Promise(lambda: follow(*args))

    def shutdown(self, **_: object) -> None:
        pass


# -------------------------------------------------------------------------------------------------- all rows


@pytest.mark.parametrize("n", [1, 2, FULL - 1, FULL, FULL + 1, FULL + 2, 2 * FULL, 3000])
def test_rows_are_complete_and_in_order(n: int) -> None:
    rows, follow = told(n)

    assert_complete(rows, n)
    np.testing.assert_array_equal(rows.needle_present, in_and_out(n))
    assert len(follow.seen) == 1 if n <= FULL else len(follow.seen) > 1


@pytest.mark.parametrize("n", [MOST_FRAMES - 1, MOST_FRAMES, MOST_FRAMES + 1, 2 * MOST_FRAMES + 1])
def test_rows_are_complete_where_pictures_come_so_fast_that_their_number_ends_a_window(n: int) -> None:
    rows, follow = told(n, fps=60.0)

    assert_complete(rows, n, fps=60.0)
    assert max(end - first for first, end in follow.seen) <= MOST_FRAMES


@pytest.mark.parametrize("here", [False, True], ids=["no needle", "a needle all along"])
def test_rows_are_complete_where_nothing_changes(here: bool) -> None:
    rows, follow = told(3000, present=np.full(3000, here))

    assert_complete(rows, 3000)
    assert len(follow.seen) < 3000 / (FULL - 2 * SHARED_S * FPS) + 2


def test_no_pictures_have_no_rows() -> None:
    rows, follow = told(0)

    assert rows.needle_present.shape == (0,)
    assert rows.tip_px.shape == (0, 2)
    assert follow.seen == []


@pytest.mark.parametrize("here", [False, True], ids=["no needle", "a needle all along"])
@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
def test_windows_get_on_however_fast_the_pictures_come(fps: float, here: bool) -> None:
    """A window of 900 pictures then is short; it must still bring more than a few rows."""
    n = 4 * MOST_FRAMES

    rows, follow = told(n, fps=fps, present=np.full(n, here))

    assert_complete(rows, n, fps=fps)
    assert len(follow.seen) <= 16


@pytest.mark.parametrize("before", [1, 2, 90, FULL])
def test_a_hole_in_the_recording_is_no_trouble(before: int) -> None:
    """Variable frame rate: no new picture for longer than a window is."""
    time_s = np.concatenate([np.arange(before) / FPS, before / FPS + 2 * WINDOW_S + np.arange(90) / FPS])
    follow = Told()

    rows = rows_of(follow, time_s, np.ones(len(time_s), dtype=bool))

    assert rows.tip_sd_mm.tolist() == list(range(before + 90))
    assert len(follow.seen) <= 24


# ------------------------------------------------------------------------------------------------- the worker


@pytest.mark.parametrize("fps", [FPS, 60.0])
def test_windows_do_not_depend_on_how_fast_they_are_followed(
    monkeypatch: pytest.MonkeyPatch, fps: float
) -> None:
    _, usual = told(4000, fps=fps)
    slow = Told(takes_s=0.02)
    rows = rows_of(slow, np.arange(4000) / fps, in_and_out(4000, fps=fps))
    assert_complete(rows, 4000, fps=fps)
    seen = [usual.seen, slow.seen]
    for worker in (AtOnce, NotBeforeItMust):
        monkeypatch.setattr(room, "ThreadPoolExecutor", worker)
        rows, follow = told(4000, fps=fps)
        assert_complete(rows, 4000, fps=fps)
        seen.append(follow.seen)

    assert len(usual.seen) > 3
    assert all(other == usual.seen for other in seen)


@pytest.mark.parametrize("worker", [AtOnce, NotBeforeItMust])
@pytest.mark.parametrize("fps", [FPS, 60.0])
def test_never_are_more_pictures_held_than_two_windows(
    monkeypatch: pytest.MonkeyPatch, worker: type, fps: float
) -> None:
    monkeypatch.setattr(room, "ThreadPoolExecutor", worker)
    alive: set[int] = set()
    most = 0
    with Windows(Told()) as windows:
        for i in range(5000):
            picture = np.full((1, 1), i, dtype=np.int32)
            alive.add(i)
            weakref.finalize(picture, alive.discard, i)
            windows.add(picture, i / fps, np.array([i, i / fps % 20 >= 11], dtype=float))
            del picture
            most = max(most, len(alive))
        windows.rows()

    assert most <= 2 * MOST_FRAMES + 1
    assert most > FULL / 2


def following_threads() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith("needlecoach-follow")]


@pytest.mark.parametrize("window", [0, 1, 2])
def test_trouble_in_following_reaches_the_caller_and_leaves_no_thread(window: int) -> None:
    """At 4 windows of pictures there are more than three to follow, the last of them from `rows`."""
    follow, asked = Told(), []

    def troubled(*args: Window) -> NeedleRows:
        asked.append(len(args[0].pictures))
        if len(asked) > window:
            raise ZeroDivisionError("invented")
        return follow(*args)

    with pytest.raises(ZeroDivisionError, match="invented"):
        rows_of(troubled, np.arange(2 * FULL) / FPS, in_and_out(2 * FULL))

    assert len(asked) == window + 1
    assert following_threads() == []


def test_trouble_in_reading_stops_the_following_too() -> None:
    with pytest.raises(OSError, match="invented"), Windows(Told(takes_s=0.05)) as windows:
        for i in range(FULL + 1):
            windows.add(np.full((1, 1), i, dtype=np.int32), i / FPS, np.array([i, 0.0]))
        assert following_threads() != []
        raise OSError("invented")

    assert following_threads() == []


# --------------------------------------------------------------------------------------------------- the seam

TEN_S = np.arange(240) / 10


def present(*spells_s: tuple[float, float]) -> np.ndarray:
    """Presence over 24 s at ten pictures a second: in from the first time up to the second."""
    return np.any([(start - 1e-6 <= TEN_S) & (end - 1e-6 > TEN_S) for start, end in spells_s], axis=0)


@pytest.mark.parametrize(
    ("spells_s", "cut_s", "restart_s"),
    [
        (((3, 8), (12, 17)), 17 + SETTLED_S, 17),
        (((3, 8), (12, 23)), 8 + SETTLED_S, 8),
        (((3, 8), (9.5, 24)), 9.4, 8),
        (((3, 8), (8.5, 24)), 19.9, 15.9),
        (((3, 8), (12, 21)), 24 - 0.1 - SURE_S, 21),
        (((3, 8), (12, 22)), 8 + SETTLED_S, 8),
    ],
    ids=[
        "the last of two",
        "too short at the end, so the one before",
        "up to where the needle comes back",
        "out too shortly: as if in all along",
        "up to where it is sure",
        "not seen for long enough",
    ],
)
def test_the_last_quiet_time_is_the_seam(
    spells_s: tuple[tuple[float, float], ...], cut_s: float, restart_s: float
) -> None:
    assert seam(present(*spells_s), TEN_S, 0) == (round(cut_s * 10), round(restart_s * 10))


def test_a_quiet_time_that_was_the_last_seam_is_not_taken_again() -> None:
    """In at 5 s and never out: the quiet before it lies before `fresh`."""
    cut, restart = seam(present((1, 2), (5, 24)), TEN_S, 45)

    assert (cut, restart) == (round((23.9 - SHARED_S) * 10), round((23.9 - 2 * SHARED_S) * 10))


@given(
    steps=st.lists(st.sampled_from([1 / 60, 1 / 30, 0.1, 2.0, 40.0]), min_size=1, max_size=60),
    data=st.data(),
)
def test_a_seam_gets_on_and_never_goes_back(steps: list[float], data: st.DataObject) -> None:
    time_s = np.cumsum(steps)
    n = len(time_s)
    here = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)), dtype=bool)
    fresh = data.draw(st.integers(0, n - 1))

    cut, restart = seam(here, time_s, fresh)

    assert fresh < cut <= n
    assert 1 <= restart <= cut


def test_a_seam_in_the_quiet_is_as_far_from_the_needle_as_can_be_told() -> None:
    """However the needle came and went, no seam lies in a spell of presence that a quiet time could avoid."""
    rng = np.random.default_rng(4)
    for _ in range(200):
        changes_s = np.sort(rng.uniform(0, 24, 6))
        here = present(*changes_s.reshape(3, 2))
        quiet_s = np.diff(changes_s)[1::2]
        cut, restart = seam(here, TEN_S, 0)
        if (quiet_s > QUIET_S + 0.2).any() and changes_s[4] < 24 - SURE_S - QUIET_S:
            assert not here[restart:cut].any()
        if here[restart:cut].any():
            assert TEN_S[cut] - TEN_S[restart] >= SHARED_S - 0.1


def test_what_is_known_is_told_before_the_rest_is_waited_for() -> None:
    n, early = 1800, []
    with Windows(Told(takes_s=0.2), told=early.append) as windows:
        for i, here in enumerate(in_and_out(n)):
            windows.add(np.full((1, 1), i, dtype=np.int32), i / FPS, np.array([i, here], dtype=float))
        assert not early
        rows = windows.rows()
    assert early and all(0 < len(part.angle_deg) < n for part in early)
    for part in early:
        assert np.array_equal(part.angle_deg, rows.angle_deg[: len(part.angle_deg)])
