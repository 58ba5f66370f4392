"""Draws a scene, lets the product score it, and compares what it says with what is true."""

import importlib.util
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import av
import cv2
import numpy as np
import pytest

from needlecoach.analyse import score_clip
from needlecoach.marks import read_marks
from needlecoach.model import Scorecard
from needlecoach.phantoms.practice import Stop, aim_of, practice_scene, way
from needlecoach.phantoms.scene import NeedleLook, Scene
from needlecoach.phantoms.simulate import marks_record, simulate, truth_record
from needlecoach.reporting.tables import attempts_table, track_table

COMPARISON = Path(__file__).parents[2] / "benchmarks" / "comparison.py"
SHORTFALLS = Path(__file__).with_name("shortfalls.json")

# The accuracy asked for, the same for every situation; a test that asks for less says why.
AT_MOST = {
    "tip_50_mm": 0.30,
    "tip_95_mm": 1.0,
    "inferred_90_mm": 3.0,
    "angle_50_deg": 0.4,
    "angle_95_deg": 1.5,
    "target_95_mm": 0.5,
    "edge_50_mm": 0.3,
    "false": 0.0,
    "attempts_off": 0.0,
}
AT_LEAST = {"found": 0.97, "visible_f1": 0.95, "passes": 1.0, "strokes": 1.0, "outcome": 1.0}
# Asked for where a situation is about it.
ON_REQUEST = {"blind"}
# What can't be missing in a scene with a needle, and in one without.
NEEDLE_FIGURES = {"tip_50_mm", "angle_50_deg", "found", "visible_f1", "passes", "strokes"}
ANY_FIGURES = {"false", "attempts_off"}
# These scenes last a few seconds: the frames between which the tip slips in or out would weigh ten times what
# they weigh in a recording, so they are left out.
GRACE_FRAMES = 1
# A shaft hardly longer than the beam is wide has no angle that could be read to a degree.
SHORTEST_SHAFT_MM = 5.0
JUST_OUT_MM = -1.0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is known to fall short; once it is mended its strict mark fails, and its line must go."""
    for item in items:
        if item.path.parent == SHORTFALLS.parent and (
            reason := shortfalls().get(f"{item.path.name}::{item.name}")
        ):
            item.add_marker(pytest.mark.xfail(strict=True, reason=f"measured: {reason}"))


@cache
def shortfalls() -> dict[str, str]:
    """Return what is known to fall short, by test, with what was measured."""
    return json.loads(SHORTFALLS.read_text(encoding="utf-8"))


@cache
def comparison() -> ModuleType:
    """Return the comparisons that the accuracy benchmark makes."""
    spec = importlib.util.spec_from_file_location("situations_comparison", COMPARISON)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Coding:
    """How a recording is written: an H.264 video at a rate factor, in one tint (red, green, blue)."""

    crf: int = 20
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Followed:
    """A scored scene: what was found, what is true, and the figures of comparing both."""

    card: Scorecard
    truth: dict[str, Any]
    figures: dict[str, float]

    def meets(self, **other: float) -> None:
        """Assert every bar; `other` gives this situation's own for some of them, by figure."""
        assert not self.card.unscorable, self.card.unscorable
        assert set(other) <= set(AT_MOST) | set(AT_LEAST) | ON_REQUEST
        words = [
            f"{name} {self.figures[name]:.3g} (bar {bar:g})"
            for bars, broken in ((AT_MOST, np.greater), (AT_LEAST | dict.fromkeys(ON_REQUEST, 0.0), np.less))
            for name, bar in {name: other.get(name, bar) for name, bar in bars.items()}.items()
            if broken(self.figures[name], bar) or (np.isnan(self.figures[name]) and name in self.needed)
        ]
        assert not words, "; ".join(words)

    @property
    def needed(self) -> set[str]:
        """Figures that must be there; others may have nothing to compare."""
        needle = any(frame["needle_present"] for frame in self.truth["frames"])
        return ANY_FIGURES | (NEEDLE_FIGURES if needle else set())


@lru_cache(maxsize=4)
def drawn(scene: Scene, seed: int) -> tuple[tuple[np.ndarray, ...], dict[str, Any]]:
    """Return the frames of a scene and its truth record; tests that follow one another share it."""
    frames, truths = zip(*simulate(scene, seed=seed), strict=True)
    return tuple(frame.pixels for frame in frames), truth_record(scene, list(truths), seed=seed)


def write_images(frames: tuple[np.ndarray, ...], folder: Path) -> Path:
    """Write frames without loss as a folder of numbered images."""
    folder.mkdir()
    for number, frame in enumerate(frames):
        cv2.imwrite(str(folder / f"{number:05d}.png"), frame, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return folder


def write_video(frames: tuple[np.ndarray, ...], path: Path, *, fps: float, coding: Coding) -> Path:
    """Write frames as H.264 in 4:2:0 colour, as screen recorders do."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(fps).limit_denominator(1000))
        stream.height, stream.width = frames[0].shape
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(coding.crf), "preset": "veryfast"}
        for frame in frames:
            colour = np.rint(frame[..., None] * np.array(coding.tint)).astype(np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(colour, format="rgb24")))
        container.mux(stream.encode())
    return path


def fair(truth: dict[str, Any]) -> dict[str, Any]:
    """Return the truth without what no one could be held to: see GRACE_FRAMES and SHORTEST_SHAFT_MM."""
    frames, step_mm = truth["frames"], truth["mm_per_px"]["x"]
    present = np.array([frame["needle_present"] for frame in frames])
    changing = np.zeros(len(frames), bool)
    for at in np.flatnonzero(np.diff(present)) + 1:
        changing[max(at - GRACE_FRAMES, 0) : at + GRACE_FRAMES] = True
    kept = []
    for frame in (frame for frame, left_out in zip(frames, changing, strict=True) if not left_out):
        if frame["needle_present"]:
            shaft_mm = step_mm * np.hypot(*np.subtract(frame["tip_xy_px"], frame["entry_xy_px"]))
            frame = frame | ({"angle_deg": None} if shaft_mm < SHORTEST_SHAFT_MM else {})
        kept.append(frame)
    return truth | {"frames": kept}


@pytest.fixture
def follow(tmp_path: Path, request: pytest.FixtureRequest) -> Callable[..., Followed]:
    """Return a function that draws a scene, scores it by the product's public entry and compares."""

    def follow_scene(scene: Scene, *, seed: int, coding: Coding | None = None) -> Followed:
        frames, truth = drawn(scene, seed)
        marks_path = tmp_path / "clip.marks.json"
        marks_path.write_text(json.dumps(marks_record(scene, learner="L01", notes="")), encoding="utf-8")
        marks, fps = read_marks(marks_path), None
        if coding is None:
            path, fps = write_images(frames, tmp_path / "clip"), scene.fps
        else:
            path = write_video(frames, tmp_path / "clip.mp4", fps=scene.fps, coding=coding)
        card = score_clip(path, marks, no_target=scene.target is None, fps=fps)
        tally = comparison().compare_frames(fair(truth), track_table(card))
        comparison().compare_attempts(truth, attempts_table(card), tally)
        figures = tally.figures()
        # For whoever asks pytest for a report (--junit-xml): the figures, not only pass or fail.
        request.node.user_properties.append(("figures", json.dumps(figures)))
        return Followed(card, truth, figures)

    return follow_scene


@pytest.fixture
def judge() -> Callable[[dict[str, Any], dict[str, float]], Followed]:
    """Return a function that puts truth and figures together as a scored scene would be, without a card."""
    return lambda truth, figures: Followed(SimpleNamespace(unscorable=""), truth, figures)


@pytest.fixture
def fairly() -> Callable[[dict[str, Any]], dict[str, Any]]:
    """Return what leaves out of a truth what no one could be held to."""
    return fair


@pytest.fixture
def coding() -> type[Coding]:
    """Return what says how a recording is written."""
    return Coding


@pytest.fixture
def stage() -> Callable[..., Scene]:
    """Return a function that sets a practice scene with a needle brought from stop to stop.

    Insertions count from the target's middle: -10 is 10 mm short of it. However far back, the needle ends
    just outside the picture.
    """

    def set_stage(
        *stops: Stop,
        probe: str = "linear",
        side: str = "left",
        angle_deg: float = 36.0,
        start_s: float = 0.5,
        speed_mm_s: float = 16.0,
        look: dict[str, Any] | None = None,
        **other: Any,
    ) -> Scene:
        scene = practice_scene("none", probe=probe, side=side, angle_deg=angle_deg)
        reach_mm = aim_of(scene).reach_mm
        stops = tuple(
            replace(stop, insertion_mm=max(reach_mm + stop.insertion_mm, JUST_OUT_MM)) for stop in stops
        )
        keys = way(stops, angle_deg=angle_deg, start_s=start_s, speed_mm_s=speed_mm_s) if stops else ()
        needle: NeedleLook = replace(scene.needle, **(look or {}))
        duration_s = keys[-1].time_s + 0.6 if keys else 4.0
        return replace(scene, **({"duration_s": duration_s, "needle": needle, "motion": keys} | other))

    return set_stage
