"""The causal half of the tracker: each picture is read by itself and those before it, as it comes."""

from __future__ import annotations

import contextlib
import uuid
from collections import deque
from concurrent.futures import CancelledError, Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import numpy as np

from needlecoach.model import FloatArray, GreyImage, LiveRow, Sight
from needlecoach.tracking.drift import moved
from needlecoach.tracking.edge import at_edge
from needlecoach.tracking.entering import EntryWatch
from needlecoach.tracking.first_look import first_look
from needlecoach.tracking.lately import MOST_S, Lately, News, forget, look_beside
from needlecoach.tracking.level import grey_level
from needlecoach.tracking.plane import Plane, slope_deg
from needlecoach.tracking.steadying import Steadier, Stir
from needlecoach.tracking.stepping import Step
from needlecoach.tracking.target import TargetFollower
from needlecoach.tracking.walking import WARM_S, Shown, Walk

# So long at least lies between the beginnings of two looks at what the pictures until then tell; a look that
# takes longer leaves the other process this share of its time for others.
LOOK_EVERY_S, REST_SHARE = 0.3, 0.25
# A needle that was seen to come in counts for so long, whatever looks tell of it meanwhile.
ENTERED_S = 1.2
# Pictures are looked through while something stirs in them, and for so long after.
STIRRED_S = 1.5
# So many steps may be taken for one picture, each of some 5 ms: none of them waits for long.
STEPS_AT_ONCE = 5
# A tip that is not seen, and not known to within so much, is lost.
LOST_SD_MM = 3.0
# A camera gives no more than so many pictures a second.
MOST_WAITING = round(60 * MOST_S)


class Forward:
    """Follows needle and target through the pictures of a camera, one after the other.

    Parameters
    ----------
    plane : geometry of the working pictures
    target : knows what to follow; None when no target was marked
    thrown_mm : how far a spring may throw the needle forward at once; 0 for one without
    beside : looks through the latest pictures again and again while the next ones come, best in another
        process (see `beside.another_process`); a thread of its own when left out, or when that process dies

    Notes
    -----
    Twice or thrice a second the last seconds are followed as a clip that ends now: that gives the needle's
    line, what its places look like without it, and where the tip may be. From there every picture takes one
    step of the forward algorithm (Rabiner, Proc IEEE 1989;77:257), by the same evidence as far as it needs no
    later picture. What comes with hindsight alone, as bridging a tip that was out of sight, is left out.
    """

    def __init__(
        self,
        plane: Plane,
        target: TargetFollower | None,
        *,
        thrown_mm: float = 0.0,
        beside: Executor | None = None,
    ) -> None:
        self._plane, self._target, self._thrown_mm = plane, target, thrown_mm
        self._own: ThreadPoolExecutor | None = None
        self._beside = beside or self._own_thread()
        self._key = uuid.uuid4().hex
        self._steadier, self._stir, self._watch = Steadier(plane), Stir(), EntryWatch(plane)
        self._entered_s, self._share = -np.inf, 0.0
        self._recent: deque[Shown] = deque()
        self._waiting: deque[Shown] = deque(maxlen=MOST_WAITING)
        self._job: Future[Lately | None] | None = None
        self._began_s, self._rest_s, self._stirred_s = -np.inf, 0.0, -np.inf
        self._walk: Walk | None = None
        self._coming: Walk | None = None
        self._behind: deque[Shown] = deque()

    def __enter__(self) -> Forward:
        return self

    def __exit__(self, *problem: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the pictures; safe to call twice."""
        if self._job is not None:
            self._job.cancel()
        with contextlib.suppress(RuntimeError):  # it is gone, and its pictures with it
            self._beside.submit(forget, self._key)
        if self._own is not None:
            self._own.shutdown(wait=False)

    def see(self, number: int, time_s: float, picture: GreyImage) -> LiveRow:
        """Follow the next picture.

        Parameters
        ----------
        number, time_s : of the captured frame; both rise
        picture : its working picture, as it was captured
        """
        held = self._steadier.hold(picture, time_s)
        shown = Shown(number, time_s, held.picture, held.drift)
        if self._stir.stirs(held.picture, time_s):
            self._stirred_s = time_s
        self._take(time_s)
        step = self._follow(shown)
        if step is None or np.isnan(step.along_mm):
            step = self._entered(shown) or step
        else:
            self._watch.begin_anew()
        self._recent.append(shown)
        self._waiting.append(shown)
        self._ask(time_s)
        self._trim(time_s)
        return self._row(shown, step)

    def _own_thread(self) -> ThreadPoolExecutor:
        self._own = ThreadPoolExecutor(max_workers=1, thread_name_prefix="needlecoach-look")
        return self._own

    def _entered(self, shown: Shown) -> Step | None:
        """The first step of a needle that is just coming in; None while there is none."""
        entering = self._watch.see(shown.picture, shown.drift, shown.time_s)
        if entering is None:
            return None
        before = self._recent[-1]
        found = first_look(
            entering,
            before.picture,
            self._plane.mask,
            number=before.number,
            time_s=before.time_s,
            level=float(grey_level(before.picture, self._plane.mask.astype(np.uint8))),
            share=self._share,
        )
        self._walk, self._coming = Walk(found, self._plane.mask, self._thrown_mm, self._recent), None
        self._entered_s, self._rest_s = shown.time_s, shown.time_s
        return self._walk.step(shown)

    def _ask(self, time_s: float) -> None:
        """Have the pictures until now looked through, where that is due."""
        walk = self._coming or self._walk
        needle_in = walk is not None and walk.stepper.real
        due = time_s - self._began_s >= LOOK_EVERY_S and time_s >= self._rest_s
        if self._job is not None or not due or not (needle_in or time_s - self._stirred_s <= STIRRED_S):
            return
        news = News(
            tuple(one.number for one in self._waiting),
            tuple(one.picture for one in self._waiting),
            np.array([one.time_s for one in self._waiting]),
            np.array([one.drift for one in self._waiting]),
        )
        self._waiting.clear()
        self._began_s = time_s
        try:
            self._job = self._beside.submit(look_beside, self._key, self._plane, self._thrown_mm, news)
        except RuntimeError:  # a broken pool, or one that was shut down, is one too
            self._beside = self._own_thread()

    def _take(self, time_s: float) -> None:
        """Go on from what was found beside, once it is there."""
        if self._job is None or not self._job.done():
            return
        job, self._job = self._job, None
        self._rest_s = time_s + REST_SHARE * (time_s - self._began_s)
        try:
            lately = job.result()
        except (BrokenProcessPool, CancelledError):
            self._beside = self._own_thread()
            return
        if lately is not None:
            self._go_on(lately)

    def _go_on(self, lately: Lately) -> None:
        """Walk on from the picture that was looked at last: what was walked until now may have strayed."""
        self._coming, self._share = None, lately.share
        if lately.axis is None or np.isnan(lately.in_since_s):
            if lately.time_s - self._entered_s > ENTERED_S:
                self._walk = None
            return
        if self._has_left_since(lately.time_s):
            return
        looked_at = [one for one in self._recent if one.number <= lately.number]
        self._coming = Walk(lately, self._plane.mask, self._thrown_mm, looked_at)
        self._behind = deque(one for one in self._recent if one.number > lately.number)

    def _follow(self, shown: Shown) -> Step | None:
        """Step to the next picture; a walk that begins further back first catches up, a few steps a time."""
        if self._coming is None:
            return None if self._walk is None else self._walk.step(shown)
        step = None
        self._behind.append(shown)
        at_once = STEPS_AT_ONCE - (self._walk is not None)
        for _ in range(min(len(self._behind), at_once)):
            step = self._coming.step(self._behind.popleft())
        if self._walk is not None:
            self._coming.stepper.take_over(self._walk.stepper)
        if not self._behind:
            self._walk, self._coming = self._coming, None
            return step
        if self._walk is None:
            return None
        step = self._walk.step(shown)
        if self._has_left_since(self._coming.since_s):
            self._coming = None
        return step

    def _has_left_since(self, time_s: float) -> bool:
        """Whether it has left since then: a walk that begins before may find it anew in its trail."""
        return self._walk is not None and self._walk.stepper.left_s >= time_s

    def _trim(self, time_s: float) -> None:
        """Keep what the next steps may begin with."""
        since_s = time_s if self._job is None else self._began_s
        while self._recent and self._recent[0].time_s < since_s - 2 * WARM_S:
            self._recent.popleft()
        while self._waiting and self._waiting[0].time_s < time_s - MOST_S:
            self._waiting.popleft()

    def _row(self, shown: Shown, step: Step | None) -> LiveRow:
        target_px, found, target_sd_mm = np.full(2, np.nan), False, 0.0
        if self._target is not None:
            target_px, found, target_sd_mm = self._target.now(shown.picture, shown.time_s, shown.drift)
        tip, entry, slope = np.full(2, np.nan), np.full(2, np.nan), np.nan
        if step is not None and np.isfinite(step.along_mm):
            assert self._walk is not None
            axis = self._walk.stepper.axis
            tip = self._in_frame(axis.points(0, step.along_mm, step.across_mm), shown.drift)
            entry = self._in_frame(at_edge(axis, self._plane.mask)[0], shown.drift)
            slope = slope_deg(moved(axis.chord(0, step.along_mm), np.array([0.0, 0.0, shown.drift[2]])))
        return LiveRow(
            shown.number,
            shown.time_s,
            sight_of(step),
            tip,
            np.nan if step is None else step.sd_mm,
            entry,
            slope,
            np.nan if step is None else step.shaft_share,
            target_px,
            found,
            target_sd_mm,
            np.zeros(0, dtype=np.uint8) if step is None else step.strip,
        )

    def _in_frame(self, point: FloatArray, drift: FloatArray) -> FloatArray:
        return self._plane.to_frame_px(moved(point, drift))


def sight_of(step: Step | None) -> Sight:
    """Say in a word how well the tip is known."""
    if step is None or np.isnan(step.along_mm):
        return "none"
    if step.seen:
        return "seen"
    return "inferred" if step.sd_mm <= LOST_SD_MM else "lost"
