"""Tracks that can be solved by hand. All data are invented."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from needlecoach.model import Region, Scale, Target, Track
from needlecoach.scoring import score_track

MM_PER_PX = 0.1
ENTRY_PX = np.array([100.0, 50.0])
REGION = Region("rectangle", (100, 50, 600, 500))


@dataclass
class Drawing:
    """A needle that goes in and out along a line from the left edge, by knots of depth along the shaft."""

    knots: list  # (time_s, depth_mm), joined by straight lines; without a needle where depth is below 0
    times: np.ndarray | None = None
    rate_hz: float = 25.0
    angle_deg: float | np.ndarray = 30.0
    hidden_s: tuple = ()  # spans (from, to) with the tip out of sight
    target_mm: tuple | None = (20.0, 0.0, 4.0)  # along the shaft, across it (deeper = +), radius
    tip_sd_mm: float = 0.0
    marking_sd_px: float = 0.0
    scale: Scale = field(default_factory=lambda: Scale(MM_PER_PX, MM_PER_PX, "drawn", 0.0))
    change: dict = field(default_factory=dict)  # arrays of the track to put in place of the drawn ones

    @property
    def time_s(self) -> np.ndarray:
        if self.times is not None:
            return self.times
        last = self.knots[-1][0]
        return np.arange(round(last * self.rate_hz) + 1) / self.rate_hz

    @property
    def unit(self) -> np.ndarray:
        angle = np.radians(np.broadcast_to(self.angle_deg, self.time_s.shape))
        return np.stack([np.cos(angle), np.sin(angle)], axis=-1)

    @property
    def depth_mm(self) -> np.ndarray:
        return np.interp(self.time_s, *zip(*self.knots, strict=True))

    @property
    def target(self) -> Target | None:
        if self.target_mm is None:
            return None
        along, across, radius = self.target_mm
        u = self.unit[0]
        centre = ENTRY_PX + (along * u + across * np.array([-u[1], u[0]])) / MM_PER_PX
        return Target.from_ellipse(tuple(centre), (radius / MM_PER_PX,) * 2, frame=0)

    def track(self) -> Track:
        time_s, depth = self.time_s, self.depth_mm
        n, present = len(time_s), depth >= 0
        nowhere = np.full((n, 2), np.nan)
        hidden = np.zeros(n, dtype=bool)
        for start, end in self.hidden_s:
            hidden |= (time_s > start - 1e-9) & (time_s < end - 1e-9)
        target = self.target
        arrays = dict(
            time_s=time_s,
            needle_present=present,
            tip_px=np.where(present[:, None], ENTRY_PX + depth[:, None] * self.unit / MM_PER_PX, np.nan),
            tip_visible=present & ~hidden,
            tip_sd_mm=np.where(present, self.tip_sd_mm, np.nan),
            entry_px=np.where(present[:, None], ENTRY_PX, np.nan),
            angle_deg=np.where(present, self.angle_deg, np.nan),
            shaft_visible_share=np.where(present, 1.0, np.nan),
            target_px=nowhere if target is None else np.tile(target.centre_px, (n, 1)),
            target_found=np.full(n, target is not None),
            trail_end_px=nowhere,
        )
        return Track(**(arrays | self.change))

    def score(self, **options):
        target = self.target
        if target is not None:
            target = Target(target.outline_px, target.frame, self.marking_sd_px, target.centre_px)
        return score_track(self.track(), scale=self.scale, target=target, region=REGION, **options)

    def figures(self, **options) -> dict:
        """Values of the only attempt's figures."""
        (attempt,) = self.score(**options).attempts
        return {name: figure.value for name, figure in attempt.figures.items()}


# In at 1 s, 10 mm/s to 18 mm at 2.8 s, held to 4.8 s, out at 20 mm/s, gone at 5.7 s.
IN_AND_OUT = [(0, -10), (1, 0), (2.8, 18), (4.8, 18), (5.7, 0), (6.2, -10)]


@pytest.fixture
def drawing():
    """Make a `Drawing`: one straight pass to 18 mm unless told otherwise."""
    return lambda knots=IN_AND_OUT, **changes: Drawing(knots, **changes)
