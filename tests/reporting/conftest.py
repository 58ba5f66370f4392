"""A clip of our own invention: a line slides straight into an ellipse and out again."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.model import (
    Advice,
    Attempt,
    Check,
    Clip,
    CoreSample,
    Earlier,
    EarlierAttempt,
    Figure,
    Marks,
    Pass,
    Region,
    Scale,
    Scorecard,
    Target,
    Track,
)

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


# An invented core needle: notch from 3 to 11 mm behind the point, thrown 9 mm.
DEAD_MM, NOTCH_MM, THROW_MM = 3.0, 8.0, 9.0
WAY = (DEEPEST - ENTRY) / np.hypot(*(DEEPEST - ENTRY))


def along_px(tip_px: np.ndarray, mm: float) -> tuple[float, float]:
    """The place so many mm further on than the tip along the shaft."""
    x, y = tip_px + WAY * mm / MM_PER_PX
    return float(x), float(y)


def invented_advice() -> tuple[Advice, ...]:
    """Two sentences, invented, of the frames 22 and 37."""
    return (
        Advice(
            "blind", 22, 22 / FPS, "The needle went 5 mm deeper while its tip could not be seen.",
            "What is not seen can’t be steered.", "Stop, find the tip with the probe, then go on.", 0.7,
        ),
        Advice(
            "beyond", 37, 37 / FPS, "The tip stood close to the far wall.", "Beyond it lies other tissue.",
            "Stop at the centre.", 0.3,
        ),
    )  # fmt: skip


def taught_card(clip_file: Path) -> Scorecard:
    """The invented card with advice, a standard's criteria, grades of evidence and six earlier attempts."""
    card = invented_card(clip_file)
    figures = {
        name: replace(figure, evidence="plain reading" if figure.unit == "s" else "ours, untested")
        for name, figure in card.attempts[0].figures.items()
    }
    checks = (
        Check("outcome is hit", "met"),
        Check("passes at most 0", "not met", "it took 1"),
        Check("blind advance under 3 mm", "can't tell", "3.1 ± 0.4 mm is too close to the limit"),
    )
    attempt = replace(card.attempts[0], figures=figures, advice=invented_advice(), checks=checks)
    return with_earlier(replace(card, attempts=(attempt,)))


def with_earlier(card: Scorecard) -> Scorecard:
    """Six earlier attempts, the last five 2.0, 1.5, 1.0, 0.5 and 3.0 mm from the centre; the first a miss."""
    last = [
        EarlierAttempt(
            folder=f"day{i}", clip=f"day{i}.mp4", number=1, date="2026-11-20", outcome="hit",
            figures={"closest_centre_mm": mm, "passes": 2.0, "notch_in_target_mm": 2 * mm},
        )
        for i, mm in enumerate((2.0, 1.5, 1.0, 0.5, 3.0))
    ]  # fmt: skip
    aim = "notch_in_target_mm" if card.marks.task == "core" else "closest_centre_mm"
    earlier = Earlier(
        n=6,
        names=(aim, "passes", "tip_visibility_share"),
        outcomes={"miss": 1, "hit": 5},
        best={
            "closest_centre_mm": 0.5,
            "notch_in_target_mm": 6.0,
            "passes": 1.0,
            "tip_visibility_share": None,
        },
        last=tuple(last),
        notes=("One folder could not be read.",),
    )
    return replace(card, earlier=earlier)


def core_figures() -> dict[str, Figure]:
    """Invented figures of a core sample."""
    rows = [
        Figure("notch_start_mm", 27.4, 0.3, "mm", "Start of the notch", "Near end of the notch."),
        Figure("notch_in_target_mm", 6.3, 0.5, "mm", "Notch in the target", "Length inside the outline."),
        Figure("notch_in_target_before_mm", 6.3, 0.5, "mm", "Notch in the target before firing", "Before."),
        Figure("notch_in_target_fired_mm", 7.1, 0.6, "mm", "Notch in the target after firing", "After."),
        Figure("throw_mm", 9.0, None, "mm", "Throw", "How far the needle jumps forward."),
        Figure("fired_tip_beyond_far_wall_mm", 3.2, 0.6, "mm", "Fired tip past the far wall", "Along it."),
        Figure("fired_tip_to_edge_mm", 12.0, 0.6, "mm", "Fired tip to the picture’s edge", "Along it."),
        Figure("best_fire_depth_mm", 26.0, 0.6, "mm", "Best depth to fire from", "By geometry."),
        Figure("fired_s", None, None, "s", "Time of the firing", "Blank without one."),
    ]
    return {figure.name: replace(figure, evidence="ours, untested") for figure in rows}


def core_card(clip_file: Path, *, fired: bool = False, throw: bool = True) -> Scorecard:
    """A core sample; when fired, the point jumps by the throw between frames 37 and 38 and rests."""
    card = taught_card(clip_file)
    tip, held = card.track.tip_px.copy(), card.track.tip_px[37]
    if fired:
        tip[38:46] = along_px(held, THROW_MM)
    at, fired_tip = (40 if fired else 37), np.array(along_px(held, THROW_MM))
    notch = tuple(along_px(tip[at], -mm) for mm in (DEAD_MM, DEAD_MM + NOTCH_MM))
    fired_notch = tuple(along_px(fired_tip, -mm) for mm in (DEAD_MM, DEAD_MM + NOTCH_MM))
    sample = CoreSample(
        at, 38 if fired else None, "tip" if fired else "", notch,
        along_px(held, THROW_MM) if throw else None, fired_notch if throw else None,
        along_px(held, -4.0) if throw else None, ("The notch seen agrees with the one given.",),
        before_frame=35 if fired else None,
    )  # fmt: skip
    attempt = card.attempts[0]
    attempt = replace(attempt, figures={**attempt.figures, **core_figures()}, core=sample)
    marks = replace(
        card.marks,
        task="core",
        dead_space_mm=DEAD_MM,
        notch_mm=NOTCH_MM,
        throw_mm=THROW_MM if throw else None,
    )
    return with_earlier(
        replace(card, track=replace(card.track, tip_px=tip), attempts=(attempt,), marks=marks)
    )
