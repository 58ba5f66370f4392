"""A clip of our own invention: a line slides straight into an ellipse and out again."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.model import Attempt, Clip, Figure, Marks, Pass, Region, Scale, Scorecard, Target, Track

WIDTH, HEIGHT, FPS, N = 320, 240, 25, 75
BOX = (40, 20, 240, 200)
CENTRE, RADII = (180.0, 130.0), (40.0, 25.0)
MM_PER_PX = 0.2
ENTRY, DEEPEST = np.array([40.0, 60.0]), np.array([176.0, 128.0])
FIRST, LAST = 10, 64


def invented_track() -> Track:
    """In from frame 10 to 37, out again until 64; the tip is hidden in frames 20 to 24."""
    share = np.full(N, np.nan)
    share[FIRST : LAST + 1] = 1 - np.abs(np.linspace(-1, 1, LAST + 1 - FIRST))
    present = np.isfinite(share)
    visible = present.copy()
    visible[20:25] = False
    tip = ENTRY + share[:, None] * (DEEPEST - ENTRY)
    angle = np.degrees(np.arctan2(*(DEEPEST - ENTRY)[::-1]))
    return Track(
        time_s=np.arange(N) / FPS,
        needle_present=present,
        tip_px=tip,
        tip_visible=visible,
        tip_sd_mm=np.where(present, np.where(visible, 0.3, 1.2), np.nan),
        entry_px=np.where(present[:, None], ENTRY, np.nan),
        angle_deg=np.where(present, angle, np.nan),
        shaft_visible_share=np.where(present, 0.8, np.nan),
        target_px=np.tile(CENTRE, (N, 1)),
        target_found=np.ones(N, bool),
        trail_end_px=np.full((N, 2), np.nan),
    )


def invented_figures() -> dict[str, Figure]:
    """A few figures as scoring hands them over: numbers, text, yes/no, unknown."""
    rows = [
        Figure("attempt", 1),
        Figure("start_s", 0.4, unit="s", title="Start", meaning="When the needle came in."),
        Figure("duration_s", 2.2, unit="s", title="Duration"),
        Figure("cut_off", False, title="Cut off"),
        Figure("outcome", "hit", title="Outcome"),
        Figure("passes", 1, title="Passes", meaning="Forward excursions of at least 3 mm."),
        Figure("time_to_target_s", 0.8, unit="s", title="Time to target"),
        Figure("closest_edge_mm", -4.61234, 0.31, "mm", "Closest to outline", "Negative inside."),
        Figure("closest_centre_mm", 0.8944, 0.31, "mm", "Closest to centre", "Tip to target centre."),
        Figure("tip_visibility_share", 0.909, unit="0–1", title="Tip visible", meaning="Time seen."),
        Figure("mean_recovery_s", None, unit="s", title="Mean recovery"),
        Figure("scale_source", "depth ruler", title="Scale"),
    ]
    return {figure.name: figure for figure in rows}


def write_clip(path: Path) -> None:
    """Write the clip: grey speckle with a bright tip, and bright writing outside the region."""
    track, rng = invented_track(), np.random.default_rng(3)
    speckle = rng.integers(20, 70, (HEIGHT, WIDTH), dtype=np.uint8)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), FPS, (WIDTH, HEIGHT))
    for index in range(N):
        picture = cv2.cvtColor(speckle, cv2.COLOR_GRAY2BGR)
        cv2.putText(picture, "NAME", (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (255, 255, 255), 1)
        if track.tip_visible[index]:
            cv2.line(picture, ENTRY.astype(int), track.tip_px[index].astype(int), (200, 200, 200), 2)
        writer.write(picture)
    writer.release()


@pytest.fixture(scope="session")
def clip_file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("clip") / "straight_in.mp4"
    write_clip(path)
    return path


def invented_card(clip_file: Path) -> Scorecard:
    """A hit in one pass, 0.9 mm from the centre."""
    track = invented_track()
    offset_mm = (track.tip_px - CENTRE) * MM_PER_PX
    centre_mm = np.hypot(*offset_mm.T)
    attempt = Attempt(
        number=1,
        first_frame=FIRST,
        last_frame=LAST,
        cut_off=False,
        passes=(Pass(FIRST, 37, 37),),
        closest_frame=37,
        outcome="hit",
        figures=invented_figures(),
    )
    return Scorecard(
        clip=Clip(clip_file, "video", WIDTH, HEIGHT, N, FPS),
        clip_sha256="ab" * 32,
        marks=Marks(target=Target.from_ellipse(CENTRE, RADII), learner="L01", needle_gauge=21),
        region=Region("rectangle", BOX),
        scale=Scale(MM_PER_PX, MM_PER_PX, "depth ruler", 0.01),
        track=track,
        attempts=(attempt,),
        distances={
            "centre_distance_mm": centre_mm,
            "edge_distance_mm": centre_mm - 5.5,
            "advance_mm": np.r_[np.nan, np.hypot(*np.diff(offset_mm, axis=0).T)],
        },
        confidence=0.9,
        quality_notes=("The gain is high near the probe.",),
        options={"pass_withdrawal_mm": 5.0},
    )


@pytest.fixture
def card(clip_file: Path) -> Scorecard:
    return invented_card(clip_file)


@pytest.fixture
def unscorable_card(card: Scorecard) -> Scorecard:
    return replace(card, attempts=(), unscorable="no ultrasound picture could be found in it", confidence=0.0)


@pytest.fixture
def needleless_card(card: Scorecard) -> Scorecard:
    """The same clip with nothing found in it."""
    blank, no = np.full(N, np.nan), np.zeros(N, bool)
    points = np.full((N, 2), np.nan)
    track = replace(
        card.track, needle_present=no, tip_visible=no, tip_px=points, tip_sd_mm=blank, entry_px=points,
        angle_deg=blank, shaft_visible_share=blank,
    )  # fmt: skip
    return replace(card, track=track, attempts=(), distances={})
