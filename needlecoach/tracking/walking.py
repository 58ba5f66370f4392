"""Steps on end from what was known lately, each picture read as the tracker reads it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from needlecoach.model import BoolArray, FloatArray, GreyImage
from needlecoach.tracking.averaging import undone
from needlecoach.tracking.lately import Lately
from needlecoach.tracking.level import LEAST_STEP_GREY, grey_level, shifted
from needlecoach.tracking.stepping import Step, Stepper

# Steps begin with the pictures of so long before them: what moves shows over a time.
WARM_S = 0.2


@dataclass(frozen=True, eq=False)
class Shown:
    """A steadied picture."""

    number: int
    time_s: float
    picture: GreyImage
    drift: FloatArray


class Walk:
    """Steps from picture to picture after those that were looked at, `before`, oldest first."""

    def __init__(self, lately: Lately, mask: BoolArray, thrown_mm: float, before: Iterable[Shown]) -> None:
        self.stepper = Stepper(lately, mask, thrown_mm)
        self._lately, self._inside = lately, mask.astype(np.uint8)
        self._before: Shown | None = None
        for one in before:
            if one.time_s >= lately.time_s - WARM_S:
                self.stepper.warm(self._read(one), one.time_s)
            self._before = one

    @property
    def since_s(self) -> float:
        """Time of the picture that was looked at last."""
        return self._lately.time_s

    def step(self, shown: Shown) -> Step:
        """Step to the next picture."""
        step = self.stepper.step(self._read(shown), shown.time_s)
        self._before = shown
        return step

    def _read(self, shown: Shown) -> GreyImage:
        """The picture as the tracker reads it: averaging undone, at the gain of those before."""
        picture, share, before = shown.picture, self._lately.share, self._before
        if share and before is not None:
            picture = undone(picture, shown.drift, before.picture, before.drift, share)
        by = round(grey_level(picture, self._inside) - self._lately.level)
        return picture if abs(by) < LEAST_STEP_GREY else shifted(picture, -by)
