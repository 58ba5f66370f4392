"""One invented attempt: a needle's way is drawn first, all figures follow from it, so that they agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from needlecoach.demo.cast import GelTarget, Hand
from needlecoach.model import Attempt, Scale
from needlecoach.scoring import COLUMNS
from needlecoach.scoring.uncertainty import confidence, distance_sd_mm, excess_sd_mm

FPS = 20.0
MOST_PASSES = 5
# Who missed tries again in three of five cases.
TRY_AGAIN = 0.6
# Forward movement counts from 1 mm/s on, so its mean lies above that.
LEAST_ADVANCE_MM_S = 1.5
# The usual index of difficulty, bits: at others time grows in proportion (Fitts).
USUAL_BITS = 2.2
REFERENCE_DEPTH_MM = 20.0

Value = float | int | str | bool | None
Reading = tuple[Value, float | None]


@dataclass(frozen=True)
class Site:
    """A target as it lies in one recording: its middle from the picture's upper left corner, and scale."""

    target: GelTarget
    width_mm: float
    x_mm: float
    z_mm: float
    scale: Scale


@dataclass(frozen=True)
class Push:
    """One pass at its end: the tip lies beyond the target's middle along the shaft, and deeper across it."""

    stop_mm: float
    across_mm: float

    @property
    def nearest_mm(self) -> float:
        """Distance to the target's middle at closest approach, which an overshoot passes on its way."""
        return float(np.hypot(min(self.stop_mm, 0.0), self.across_mm))


@dataclass(frozen=True)
class Course:
    """All of one attempt's movement: its passes, where it began, and its times in s."""

    pushes: tuple[Push, ...]
    back_mm: tuple[float, ...]
    angle_deg: float
    reach_mm: float
    approach_s: float
    outcome: Literal["hit", "miss", "borderline"]
    tip_sd_mm: float
    edge_sd_mm: float

    @property
    def best(self) -> int:
        """Which pass came nearest."""
        return min(range(len(self.pushes)), key=lambda index: self.pushes[index].nearest_mm)


def invented_attempt(
    hand: Hand, site: Site, number: int, start_s: float, rng: np.random.Generator
) -> Attempt:
    """Draw an attempt by a hand at a target, from `start_s` into its recording.

    Returns
    -------
    Attempt
        With every figure of an aspirate; its frames are those of a recording of 20 pictures a second.
    """
    course = _course(hand, site, rng)
    figures = _aim(course, site) | _sight_and_way(course, hand, rng) | _trail(course, site, rng)
    times = _times(course, site, start_s, rng)
    # Lost time can't outlast the attempt: both are drawn apart, so the share is formed here.
    lost_s = float(figures.pop("lost_s")[0] or 0.0)
    duration_s = float(times["duration_s"][0] or 0.0)
    share = 1.0 - lost_s / duration_s
    figures |= times | {"tip_visibility_share": (share, None), "attempt": (number, None)}
    figures |= _smoothness(share, duration_s, len(course.pushes), rng)
    figures |= _trust(course, site, share)
    end_s = start_s + duration_s
    return Attempt(
        number=number,
        first_frame=round(start_s * FPS),
        last_frame=round(end_s * FPS),
        cut_off=False,
        passes=(),
        closest_frame=None,
        outcome=course.outcome,
        figures={name: column.figure(*figures[name]) for name, column in COLUMNS.items() if name in figures},
    )


def _course(hand: Hand, site: Site, rng: np.random.Generator) -> Course:
    radius = site.width_mm / 2
    # A deeper target magnifies the same slant; a solid one has a rim that is harder to see.
    spread = hand.spread_mm * (site.target.depth_mm / REFERENCE_DEPTH_MM) ** 0.5
    spread *= 1.1 if site.target.kind == "solid" else 1.0
    pushes = [_push(spread, rng)]
    while pushes[-1].nearest_mm > radius and len(pushes) < MOST_PASSES and rng.random() < TRY_AGAIN:
        pushes.append(_push(0.85 * spread, rng))
    angle = float(np.clip(rng.normal(40, 4), 28, 55))
    turn = np.radians(angle)
    reach = min(site.x_mm / np.cos(turn), site.z_mm / np.sin(turn))
    usual_s = hand.slow_s * _bits(reach, site) / USUAL_BITS * (1 + 0.45 * (len(pushes) - 1))
    approach = _on_frame(float(np.clip(usual_s * rng.lognormal(0, 0.25), 4.0, 140.0)))
    tip_sd = rng.uniform(0.1, 0.3)
    edge = min(push.nearest_mm for push in pushes) - radius
    edge_sd = _sd(edge, tip_sd, site)
    outcome: Literal["hit", "miss", "borderline"] = "hit" if edge < -edge_sd else "borderline"
    outcome = "miss" if edge > edge_sd else outcome
    back = tuple(rng.uniform(6, min(16, reach - 2)) for _ in pushes[1:])
    return Course(tuple(pushes), back, angle, reach, approach, outcome, tip_sd, edge_sd)


def _bits(reach_mm: float, site: Site) -> float:
    """Index of difficulty in the Shannon form (MacKenzie 1992), as real results state it."""
    return float(np.log2(reach_mm / site.width_mm + 1))


def _push(spread_mm: float, rng: np.random.Generator) -> Push:
    """Who is unsure stops short: by 0.3 of the spread on average."""
    stop = rng.normal(-0.3 * spread_mm, 0.6 * spread_mm)
    return Push(max(float(stop), -9.0), float(rng.normal(0, 0.8 * spread_mm)))


def _sd(distance_mm: float, tip_sd_mm: float, site: Site) -> float:
    """Uncertainty as real results state it, for an outline marked to 1 px."""
    sd = distance_sd_mm(
        distance_mm,
        tip_sd_mm=tip_sd_mm,
        marking_sd_mm=site.scale.mean_mm_per_px,
        scale_sd_share=site.scale.sd_share,
    )
    return float(sd)


def _on_frame(time_s: float) -> float:
    return round(time_s * FPS) / FPS


def _times(course: Course, site: Site, start_s: float, rng: np.random.Generator) -> dict[str, Reading]:
    """Way in, time in the target, way out."""
    hit, edge = course.outcome == "hit", course.pushes[course.best].nearest_mm - site.width_mm / 2
    dwell = rng.uniform(1.5, 7.0) if hit else rng.uniform(0, 0.6) if edge < 0 else 0.0
    dwell = _on_frame(dwell)
    duration = course.approach_s + max(dwell, 0.5) + _on_frame(rng.uniform(1.0, 3.0))
    return {
        "start_s": (start_s, None),
        "end_s": (start_s + duration, None),
        "duration_s": (duration, None),
        "cut_off": (False, None),
        "time_to_target_s": (course.approach_s if hit else None, None),
        "dwell_in_target_s": (dwell, None),
    }


def _aim(course: Course, site: Site) -> dict[str, Reading]:
    """Outcome, distances and difficulty, from the nearest pass and the ball that was aimed at."""
    push, radius = course.pushes[course.best], site.width_mm / 2
    along, nearest = min(push.stop_mm, 0.0), push.nearest_mm
    chord = np.sqrt(max(radius**2 - push.across_mm**2, 0.0))
    reached = abs(push.across_mm) < radius and push.stop_mm > -chord
    beyond = push.stop_mm - float(chord)
    overshoot: Reading = (None, None)
    if reached:
        overshoot = (max(0.0, beyond), excess_sd_mm(beyond, _sd(beyond, course.tip_sd_mm, site)))
    return {
        "outcome": (course.outcome, None),
        "closest_edge_mm": (nearest - radius, course.edge_sd_mm),
        "closest_centre_mm": (nearest, _sd(nearest, course.tip_sd_mm, site)),
        "offset_along_mm": (along, _sd(along, course.tip_sd_mm, site)),
        "offset_across_mm": (push.across_mm, _sd(push.across_mm, course.tip_sd_mm, site)),
        "overshoot_mm": overshoot,
        "index_of_difficulty": (_bits(course.reach_mm, site), None),
    }


def _sight_and_way(course: Course, hand: Hand, rng: np.random.Generator) -> dict[str, Reading]:
    """Travel and speed, and what of it was made without seeing the tip."""
    n, drawn_back = len(course.pushes), float(sum(course.back_mm))
    strokes = int(rng.poisson(1.2)) if course.outcome == "hit" else 0
    forward = course.reach_mm + course.pushes[-1].stop_mm + drawn_back
    travel = 2 * forward + 6.0 * strokes
    straight = course.reach_mm + min(course.pushes[course.best].stop_mm, 0.0)
    before = straight + 2 * sum(course.back_mm[: course.best])
    advancing_s = min(course.approach_s * rng.uniform(0.25, 0.45), forward / LEAST_ADVANCE_MM_S)
    speed = forward / advancing_s
    turned = int(rng.binomial(n - 1, 0.8))
    return {
        "passes": (n, None),
        "strokes": (strokes, None),
        "redirections": (turned, None),
        "angle_deg": (course.angle_deg, None),
        "angle_iqr_deg": (rng.uniform(0.3, 1.5) + turned * rng.uniform(1.5, 3.5), None),
        "path_mm": (travel, 0.04 * travel),
        "path_efficiency": (straight / before * rng.uniform(0.96, 1.0), None),
        "mean_advance_mm_s": (speed, None),
        "peak_advance_mm_s": (speed * rng.uniform(1.7, 2.8), None),
    } | _sight(hand, advancing_s, speed, course.approach_s, rng)


def _sight(
    hand: Hand, advancing_s: float, speed_mm_s: float, approach_s: float, rng: np.random.Generator
) -> dict[str, Reading]:
    """How often the tip was lost, for how long, and how deep it went meanwhile."""
    if rng.random() > hand.blind:
        seen = {name: (0.0, None) for name in ("blind_advance_mm", "longest_blind_mm")}
        still_s = approach_s * rng.uniform(0.0, 0.03)
        return seen | {
            "plane_losses": (0, None),
            "mean_recovery_s": (None, None),
            "tip_visibility_advancing": (1.0, None),
            "lost_s": (still_s, None),
        }
    losses = 1 + int(rng.poisson(2.5 * hand.blind))
    recovery_s = min(float(rng.lognormal(0.6, 0.4)), 0.6 * approach_s / losses)
    blind_s = min(losses * recovery_s * rng.uniform(0.3, 0.8), 0.7 * advancing_s)
    blind = blind_s * speed_mm_s * rng.uniform(0.7, 1.0)
    longest = blind * (1.0 if losses == 1 else rng.uniform(1 / losses, 0.8))
    return {
        "plane_losses": (losses, None),
        "mean_recovery_s": (recovery_s, None),
        "blind_advance_mm": (blind, 0.15 * np.sqrt(losses)),
        "longest_blind_mm": (longest, 0.15),
        "tip_visibility_advancing": (1 - blind_s / advancing_s, None),
        "lost_s": (losses * recovery_s, None),
    }


def _trail(course: Course, site: Site, rng: np.random.Generator) -> dict[str, Reading]:
    """Where bubbles end: short of the tip, and blank where none show, as in a third of the attempts."""
    if rng.random() < 1 / 3:
        return {"trail_end_edge_mm": (None, None)}
    edge = course.pushes[course.best].nearest_mm - site.width_mm / 2
    shown = max(edge, 0.0) if site.target.kind == "fluid" else edge
    return {"trail_end_edge_mm": (shown + rng.uniform(0, 1.5), rng.uniform(0.6, 1.4))}


def _smoothness(share: float, duration_s: float, passes: int, rng: np.random.Generator) -> dict[str, Reading]:
    """Worse with time and passes; blank where the tip was seen for under half of the time."""
    if share < 0.5:
        return {"smoothness_sparc": (None, None), "smoothness_ldlj": (None, None)}
    sparc = -4.0 - 0.8 * np.log(duration_s) - 0.5 * passes + rng.normal(0, 0.4)
    ldlj = -6.0 - 2.6 * np.log(duration_s) - 0.8 * passes + rng.normal(0, 0.5)
    return {"smoothness_sparc": (float(sparc), None), "smoothness_ldlj": (float(ldlj), None)}


def _trust(course: Course, site: Site, share: float) -> dict[str, Reading]:
    trust = confidence(
        tip_sd_mm=course.tip_sd_mm, rough_mm=0.1, followed_share=0.5 + 0.5 * share, target_share=1.0
    )
    return {
        "scale_source": (site.scale.source, None),
        "scale_sd_share": (site.scale.sd_share, None),
        "confidence": (trust, None),
    }
