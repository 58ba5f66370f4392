"""A screen that a camera filmed: composes the reader, the follower of the screen, and the marks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from needlecoach.clips import CameraReader, ClipReader
from needlecoach.errors import MarksError, UnscorableError
from needlecoach.model import FilmedScreen, Marks, Point, Region, Scale, Track
from needlecoach.screen.marked import doubted_scale, straight_marks
from needlecoach.screen.rectify import ScreenFollower, Straight

SCREEN_FRAMES = 12
# A scanner leaves some of its screen free beside the picture: an outline without, on so many sides, is none.
LEAST_MARGIN, MOST_TOUCHED = 0.015, 2
GLARE_NOTE = "In {} frames glare covers the tip: there it counts as not visible."


@dataclass(frozen=True)
class Filmed:
    """A camera's recording read straight, with the marks on the straight picture."""

    reader: CameraReader
    marks: Marks
    straight: Straight
    found_by_itself: bool

    @classmethod
    def of(cls, reader: ClipReader, marks: Marks) -> Filmed:
        """Find the screen, or take its marked corners, and read it straight from now on.

        Raises
        ------
        UnscorableError
            When no outline is found, or the screen is seen too much from the side.
        MarksError
            When a mark does not lie on the screen.
        """
        if reader.areas:
            raise MarksError(
                f"{reader.clip.path.name}: the file itself tells where its picture lies, so no camera "
                "filmed it; leave --screen out."
            )
        corners = None if marks.screen == "auto" else np.array(marks.screen, dtype=float)
        samples = reader.sample_frames(SCREEN_FRAMES)
        follower = ScreenFollower(reader.read_frames([0])[0], samples, corners)
        straight = follower.straight
        camera = CameraReader(reader, straight.size_px, follow=follower.follow, place=follower.place)
        moved = straight_marks(marks, straight, camera.view_of)
        reader.notes.append(straight.assumed)
        return cls(camera, moved, straight, found_by_itself=corners is None)

    def check_outline(self, region: Region) -> None:
        """Refuse an outline that is the ultrasound picture's own, or cuts through it.

        Raises
        ------
        UnscorableError
            When the screen was found by itself and its picture fills it, or runs beyond an edge.
        """
        if not self.found_by_itself or region.source != "found":
            return
        width, height = self.straight.size_px
        x, y, w, h = region.box_px
        margins = (x / width, (width - x - w) / width, y / height, (height - y - h) / height)
        if sum(margin < LEAST_MARGIN for margin in margins) >= MOST_TOUCHED:
            raise UnscorableError(
                "what was found for a screen's outline is about that of the ultrasound picture; give the "
                "screen's four corners with --screen, or leave --screen out if no camera filmed a screen."
            )

    def doubted(self, scale: Scale) -> Scale:
        """Scale with the doubt about the screen's shape in it, which marked ones have already."""
        return scale if scale == self.marks.scale else doubted_scale(scale, self.straight)

    def without_glare(self, track: Track) -> tuple[Track, tuple[str, ...]]:
        """A tip under glare can't be seen, whatever shines there; say in how many frames."""
        seen = track.tip_visible & ~self.reader.is_blinded(track.tip_px)
        covered = int(track.tip_visible.sum() - seen.sum())
        return replace(track, tip_visible=seen), (GLARE_NOTE.format(covered),) if covered else ()

    def straight_px(self, frame: int, point_px: Point) -> Point:
        """Place in the straight picture of a point of an original frame that was read."""
        view = self.reader.view_of(frame)
        x, y, w = np.linalg.inv(view.homography) @ (*point_px, 1.0)
        return float(x / w), float(y / w)

    def screen(self, given: Marks) -> FilmedScreen:
        """What the camera showed, frame by frame, with the user's own marks."""
        return self.reader.filmed(self.straight.corners_px, given)
