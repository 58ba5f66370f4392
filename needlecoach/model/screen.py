"""A screen that a camera filmed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from needlecoach.model.basics import BoolArray, FloatArray, freeze
from needlecoach.model.marks import Marks


@dataclass(frozen=True, eq=False)
class ScreenView:
    """How a camera's frame shows the screen.

    `homography` (3, 3) leads from px of the straight picture to px of the frame. Greys of the frame are
    `gain` times those of the first one plus `offset`. `found` False: the screen could
    not be made out and its last place is held.
    """

    homography: FloatArray
    gain: float = 1.0
    offset: float = 0.0
    found: bool = True


@dataclass(frozen=True, eq=False)
class FilmedScreen:
    """A screen that a camera filmed: the views (see `ScreenView`) of all n frames, and both pictures' sizes.

    Attributes
    ----------
    frame_size_px, size_px : (width, height) of the original frame and of the straight picture
    corners_px : (4, 2) the screen's corners on the first frame, clockwise from the upper left
    homographies : (n, 3, 3)
    gains, offsets : (n,) float
    found : (n,) bool
    given : Marks
        What the user said, in px of the original frames.
    """

    frame_size_px: tuple[int, int]
    size_px: tuple[int, int]
    corners_px: FloatArray
    homographies: FloatArray
    gains: FloatArray
    offsets: FloatArray
    found: BoolArray
    given: Marks

    def __post_init__(self) -> None:
        n = len(self.homographies)
        shapes = {
            "corners_px": (4, 2),
            "homographies": (n, 3, 3),
            "gains": (n,),
            "offsets": (n,),
            "found": (n,),
        }
        for name, shape in shapes.items():
            dtype = np.bool_ if name == "found" else np.float64
            object.__setattr__(self, name, freeze(getattr(self, name), dtype, shape))

    def view(self, frame: int) -> ScreenView:
        """Return the view of one frame."""
        return ScreenView(
            self.homographies[frame],
            float(self.gains[frame]),
            float(self.offsets[frame]),
            bool(self.found[frame]),
        )

    def to_frame_px(self, points_px: npt.ArrayLike) -> FloatArray:
        """One point of the straight picture for each frame, (n, 2), in px of that original frame."""
        points = np.asarray(points_px, dtype=float)
        whole = np.concatenate([points, np.ones((len(points), 1))], axis=1)
        moved = np.einsum("nij,nj->ni", self.homographies[: len(points)], whole)
        return np.asarray(moved[:, :2] / moved[:, 2:])

    def outlines_px(self) -> FloatArray:
        """Corners of the screen in every original frame, (n, 4, 2), clockwise from the upper left."""
        width, height = self.size_px
        own = [(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)]
        n = len(self.homographies)
        return np.stack([self.to_frame_px(np.tile(corner, (n, 1))) for corner in own], axis=1)
