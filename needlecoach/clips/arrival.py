"""When a stream's pictures were taken: its own times laid on this machine's clock."""

from __future__ import annotations

from collections import deque

# Lateness is judged over so long; clocks of cameras gain or lose far less than a ms in it.
_WINDOW_S = 10.0
# The stream's clock was set anew when it is off by more than any network delays.
_JUMP_S = 1.5
# Times made up from a nominal rate run at another speed than time itself; told after so many seconds.
_JUDGED_S, _LEAST_SPEED, _MOST_SPEED = 6.0, 0.8, 1.25


class ArrivalClock:
    """Gives each picture its time: as far from the others as the stream says, as late as the quickest arrive.

    Where the stream tells no times that can be, a picture's time is that of its arrival.
    """

    def __init__(self) -> None:
        self._met: deque[tuple[float, float]] = deque()  # told, arrived
        self._trusted = True
        self._last: tuple[float, float] | None = None
        self._passed_s = (0.0, 0.0)  # told, arrived, jumps left out

    def time_s(self, told_s: float, arrived_s: float) -> float:
        """Time of a picture by this machine's clock, never later than its arrival.

        Parameters
        ----------
        told_s : float
            What the stream says, from any zero.
        arrived_s : float
            When it came.
        """
        if not self._trusted:
            return arrived_s
        if self._runs_at_its_own_speed(told_s, arrived_s):
            self._trusted = False
            return arrived_s
        if self._met and (not told_s > self._met[-1][0] or self._has_jumped(told_s, arrived_s)):
            self._met.clear()
        self._met.append((told_s, arrived_s))
        while arrived_s - self._met[0][1] > _WINDOW_S:
            self._met.popleft()
        return told_s + self._least_late_s()

    def _least_late_s(self) -> float:
        return min(arrived_s - told_s for told_s, arrived_s in self._met)

    def _has_jumped(self, told_s: float, arrived_s: float) -> bool:
        return abs(arrived_s - told_s - self._least_late_s()) > _JUMP_S

    def _runs_at_its_own_speed(self, told_s: float, arrived_s: float) -> bool:
        """Sum up both kinds of time from picture to picture, and compare them every few seconds."""
        last_told_s, last_arrived_s = self._last or (told_s, arrived_s)
        self._last = told_s, arrived_s
        told_step_s, step_s = told_s - last_told_s, arrived_s - last_arrived_s
        if abs(told_step_s - step_s) < _JUMP_S:
            self._passed_s = self._passed_s[0] + told_step_s, self._passed_s[1] + step_s
        told_in_all_s, in_all_s = self._passed_s
        if in_all_s < _JUDGED_S:
            return False
        self._passed_s = 0.0, 0.0
        return not _LEAST_SPEED <= told_in_all_s / in_all_s <= _MOST_SPEED
