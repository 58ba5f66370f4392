"""An invented cohort written out as results folders, as if its recordings had been scored; there are none."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np

from needlecoach.demo.attempts import FPS, Site, invented_attempt
from needlecoach.demo.cast import TARGETS, WEEKS, GelTarget, Learner, learners
from needlecoach.model import Attempt, Clip, Marks, Region, Scale, Scorecard, Target, Track
from needlecoach.reporting.record import run_record
from needlecoach.reporting.results import record_text, write_csv
from needlecoach.reporting.tables import attempts_table

SEED = 7
NOTES = "invented"
SAYS = "This result is invented for a demonstration: there was no recording, no learner and no attempt."
# The screen of the sample recordings: 38 mm by 42 mm of picture.
REGION = Region("rectangle", (161, 52, 323, 357))
SCALE = Scale.from_points((498.0, 52.0), (498.0, 390.98), mm=40.0)
SECOND_TRY = 0.08
# A day of practice every third or fourth day of a week, with up to two recordings on each.
DAYS = (0, 3)
ILL = 0.2


@dataclass(frozen=True)
class Invented:
    """A made-up recording with its results: the scorecard, and when it was first scored (UTC)."""

    card: Scorecard
    scored_at: datetime


def write_cohort(out: Path, *, last_day: date, seed: int = SEED) -> int:
    """Write the results folders of an invented cohort into `out`; return their number.

    Parameters
    ----------
    out : a folder that is made if need be; each recording gets a folder in it
    last_day : the day on which its eight weeks end
    seed : the same seed and day give the same cohort, but for the versions in `run.json`

    Notes
    -----
    Each folder holds `attempts.csv` and `run.json` as a scored recording's does, with `"invented": true`;
    there is no clip, no track and no page.
    """
    written = 0
    for one in invented_cohort(last_day=last_day, seed=seed):
        folder = out / one.card.clip.name
        folder.mkdir(parents=True, exist_ok=True)
        write_csv(attempts_table(one.card), folder / "attempts.csv")
        at = one.scored_at.isoformat(timespec="microseconds")
        record = run_record(one.card, first_scored_at=at, scored_at=at)
        (folder / "run.json").write_text(record_text(record), encoding="utf-8")
        written += 1
    return written


def invented_cohort(*, last_day: date, seed: int = SEED) -> Iterator[Invented]:
    """Yield every recording of the cohort, learner by learner, each in its order."""
    first_day = last_day - timedelta(days=7 * WEEKS - 1)
    cast = learners(np.random.default_rng([seed, 0]))
    for number, learner in enumerate(cast, start=1):
        yield from _recordings(learner, first_day, np.random.default_rng([seed, number]))


def _recordings(learner: Learner, first_day: date, rng: np.random.Generator) -> Iterator[Invented]:
    done, number = 0, 0
    for week in range(learner.weeks):
        for day in DAYS:
            if rng.random() < ILL:
                continue
            on = first_day + timedelta(days=7 * week + day + int(rng.integers(0, 3)))
            at = datetime.combine(on, time(16, int(rng.integers(0, 50))), UTC)
            for _ in range(2):
                number += 1
                one = _recording(learner, done, f"{learner.code}_{number:02d}", at, rng)
                done += len(one.card.attempts)
                at += timedelta(minutes=4)
                yield one


def _recording(learner: Learner, done: int, name: str, at: datetime, rng: np.random.Generator) -> Invented:
    site = _site(_next_target(done, rng), rng)
    attempts: list[Attempt] = []
    start_s = 0.0
    for number in (1, 2) if rng.random() < SECOND_TRY else (1,):
        start_s = round((start_s + rng.uniform(0.8, 3.0)) * FPS) / FPS
        attempts.append(invented_attempt(learner.hand(done + number - 1), site, number, start_s, rng))
        start_s = attempts[-1].last_frame / FPS
    frames = attempts[-1].last_frame + 1 + int(rng.integers(10, 40))
    return Invented(_card(learner, site, name, at.date(), tuple(attempts), frames), at)


def _next_target(done: int, rng: np.random.Generator) -> GelTarget:
    """Easy ones more often at the beginning, hard ones later, all of them at any time."""
    ease = np.array([target.width_mm / target.depth_mm for target in TARGETS])
    weight = 1 + np.exp(-done / 8) * 2 * (ease - ease.mean())
    return TARGETS[int(rng.choice(len(TARGETS), p=weight / weight.sum()))]


def _site(target: GelTarget, rng: np.random.Generator) -> Site:
    """Place a target in the picture: never twice at quite the same place, nor of quite the same size."""
    width, depth = target.width_mm * rng.normal(1, 0.02), target.depth_mm + rng.normal(0, 0.4)
    return Site(target, float(width), float(rng.uniform(17, 23)), float(depth), SCALE)


def _card(
    learner: Learner, site: Site, name: str, on: date, attempts: tuple[Attempt, ...], n_frames: int
) -> Scorecard:
    size = SCALE.mean_mm_per_px
    left, top = REGION.box_px[:2]
    centre = (left + site.x_mm / size, top + site.z_mm / size)
    rim = Target.from_ellipse(centre, (site.width_mm / 2 / size,) * 2)
    marks = Marks(
        # Every fifth corner of the circle is enough: its area is then 0.1 % too small.
        target=replace(rim, outline_px=rim.outline_px[::5]),
        scale=SCALE,
        learner=learner.code,
        needle_gauge=21,
        notes=NOTES,
        target_name=site.target.name,
        target_kind=site.target.kind,
        target_true_mm=site.target.width_mm,
        phantom="GEL-A",
        date=on.isoformat(),
        invented=True,
    )
    return Scorecard(
        clip=Clip(Path(f"{name}.mp4"), "video", 640, 480, n_frames, FPS),
        clip_sha256=hashlib.sha256(f"invented {name} {on}".encode()).hexdigest(),
        marks=marks,
        region=REGION,
        scale=SCALE,
        track=_no_needle(n_frames),
        attempts=attempts,
        distances={},
        confidence=float(np.mean([one.figures["confidence"].value for one in attempts])),
        quality_notes=(SAYS,),
        options={"no_target": False, "fps": None, "pass_withdrawal_mm": 5.0},
    )


def _no_needle(n_frames: int) -> Track:
    """Return a track of times alone: figures are made up, pictures are not."""
    nothing, pairs, no = np.full(n_frames, np.nan), np.full((n_frames, 2), np.nan), np.zeros(n_frames, bool)
    times = np.arange(n_frames) / FPS
    return Track(times, no, pairs, no, nothing, pairs, nothing, nothing, pairs, no, pairs)
