"""Which scale is used when several are known, and what is said of the others; screens are drawn."""

import numpy as np
import pytest

from needlecoach.errors import MarksError
from needlecoach.model import Frame, Marks, Medium, Scale, Target
from needlecoach.phantoms.beams import BeamGrid, Screen
from needlecoach.phantoms.furniture import draw_furniture
from needlecoach.phantoms.scene import Display, Probe
from needlecoach.screen.scale import agree, choose_scale, settle_scale
from needlecoach.screen.sound import sound_in

SCREEN = Screen(BeamGrid(Probe(), Display()))  # 0.112 mm per px, ticks of 5 mm
REGION = SCREEN.region
FRAMES = [Frame(0, 0.0, draw_furniture(SCREEN))]
DARK = [Frame(0, 0.0, np.zeros((480, 640), np.uint8))]
ROUND_TARGET = Target.from_ellipse((320.0, 240.0), (40.0, 40.0))

MARKED = Scale.from_points((0, 0), (0, 400), mm=40)


def test_the_first_known_scale_is_taken() -> None:
    other = Scale.from_mm_per_px(0.1)
    assert choose_scale(None, other, MARKED) == (other, ())
    assert choose_scale(None, None) == (None, ())


def test_a_contradiction_is_told_with_both_sources() -> None:
    chosen, (note,) = choose_scale(MARKED, None, Scale(0.12, 0.12, source="the file", sd_share=0.001))

    assert chosen == MARKED
    assert "0.1 mm per pixel (two marked points, 40 mm apart) was used, 0.12 mm per pixel (the file)" in note


def test_scales_within_their_uncertainty_agree() -> None:
    assert agree(Scale(0.1, 0.1, "", 0.0), Scale(0.1009, 0.1, "", 0.0))
    assert not agree(Scale(0.1, 0.1, "", 0.0), Scale(0.1, 0.1011, "", 0.0))
    assert agree(Scale(0.1, 0.1, "", 0.03), Scale(0.1, 0.107, "", 0.02))


def test_the_ruler_gives_the_scale_once_its_ticks_are_told() -> None:
    scale, notes = settle_scale(Marks(tick_mm=5.0), None, FRAMES, REGION)

    assert scale.x_mm_per_px == pytest.approx(0.112, rel=0.003)
    assert scale.source == "ruler on the screen, 9 ticks of 5 mm"
    assert 0 < scale.sd_share < 0.002
    assert notes == ()


def test_a_ruler_without_a_meaning_is_told_and_never_guessed() -> None:
    said = (
        r"L01\.mp4: no scale is marked\. A ruler was found: 9 ticks, 44\.\d+ px apart, every 2nd longer; give"
    )
    with pytest.raises(MarksError, match=said):
        settle_scale(Marks(), None, FRAMES, REGION, clip_name="L01.mp4")
    with pytest.raises(MarksError, match=r"no scale is marked; give --scale"):
        settle_scale(Marks(), None, DARK, REGION)
    with pytest.raises(
        MarksError, match=r"no ruler could be read for --tick-mm: no row .* picture; give --scale"
    ):
        settle_scale(Marks(tick_mm=5.0), None, DARK, REGION)


def test_a_size_without_a_target_is_told() -> None:
    with pytest.raises(MarksError, match=r"no target is there to take the scale from; give --scale"):
        settle_scale(Marks(target_mm=9.0), None, DARK, REGION)


@pytest.mark.parametrize(("tick_mm", "n_notes"), [(5.0, 0), (10.0, 1)])
def test_marked_points_go_before_the_ruler_which_may_contradict_them(tick_mm: float, n_notes: int) -> None:
    marked = Scale.from_points((0, 0), (0, 400), mm=44.8)
    scale, notes = settle_scale(Marks(scale=marked, tick_mm=tick_mm), None, FRAMES, REGION)

    assert scale == marked
    assert len(notes) == n_notes
    if notes:
        assert "0.112 mm per pixel (two marked points, 44.8 mm apart) was used" in notes[0]
        assert "(ruler on the screen, 9 ticks of 10 mm) was not" in notes[0]


def test_the_files_scale_goes_before_the_ruler() -> None:
    of_file = Scale(0.2, 0.2, "the file", 0.001)
    scale, (note,) = settle_scale(Marks(tick_mm=5.0), of_file, FRAMES, REGION)

    assert scale == of_file
    assert "the file" in note and "ruler" in note


def test_a_ruler_that_can_t_be_read_is_told_when_another_scale_holds() -> None:
    scale, (note,) = settle_scale(Marks(scale=MARKED, tick_mm=5.0), None, DARK, REGION)

    assert scale == MARKED
    assert note.startswith("No ruler could be read")


@pytest.mark.parametrize("tick_mm", [1, 2, 5, 10])
def test_a_scale_by_which_ticks_are_round_is_not_doubted(tick_mm: float) -> None:
    """Rulers count in 1, 2, 5 or 10 mm: common practice, no source. Off by 1 % is no reason for alarm."""
    for off in (0.99, 1.0, 1.01):
        scale = Scale.from_mm_per_px(off * 0.112 * tick_mm / 5)
        assert settle_scale(Marks(scale=scale), None, FRAMES, REGION) == (scale, ())


def test_a_scale_by_which_ticks_are_odd_is_doubted() -> None:
    scale = Scale.from_mm_per_px(0.112 * 1.3)
    _, (note,) = settle_scale(Marks(scale=scale), None, FRAMES, REGION)

    assert "6.49 mm apart, which is no usual distance (9 ticks" in note


@pytest.mark.parametrize(
    "target",
    [
        Target.from_ellipse((320.0, 240.0), (80.0, 20.0), tilt_deg=30.0),
        Target(np.array([[300.0, 200.0], [300.0, 270.898], [370.898, 270.898], [370.898, 200.0]])),
    ],
    ids=["ellipse", "polygon"],
)
def test_a_target_of_known_size_by_hand(target: Target) -> None:
    """Ellipse: 2 x sqrt(80 x 20) = 80 px. Square of 70.898 px: area of a circle of 80 px. 8 mm: 0.1 mm/px."""
    scale, notes = settle_scale(Marks(target=target, target_mm=8.0), None, DARK, REGION)

    assert scale.x_mm_per_px == scale.y_mm_per_px == pytest.approx(0.1, rel=1e-4)
    assert scale.sd_share == pytest.approx(np.sqrt(2) / 80, rel=1e-4)
    assert (scale.source, notes) == ("target 8 mm across", ())


def test_the_ruler_goes_before_the_target() -> None:
    scale, (note,) = settle_scale(
        Marks(target=ROUND_TARGET, target_mm=20.0, tick_mm=5.0), None, FRAMES, REGION
    )

    assert "ruler" in scale.source
    assert "0.25 mm per pixel (target 20 mm across) was not" in note


def test_a_target_of_known_size_is_straightened_first() -> None:
    """A round target of 9 mm, shown stretched to 10/9 in depth, gives the scale across the picture."""
    sound = sound_in(Medium("custom", speed_m_s=1386.0))
    shown = Target.from_ellipse((320.0, 240.0), (45.0, 50.0))
    scale, _ = settle_scale(Marks(target=shown, target_mm=9.0), None, DARK, REGION, sound)

    assert scale.x_mm_per_px == pytest.approx(0.1, rel=1e-4)


@pytest.mark.parametrize("size_mm", [0.0, -8.0, float("nan"), float("inf"), 5000.0])
def test_impossible_sizes_of_a_target_are_refused(size_mm: float) -> None:
    with pytest.raises(MarksError, match=r"mean diameter \(target-mm\) must be from 0\.5 to 300 mm, got"):
        Scale.from_target(ROUND_TARGET, size_mm)


def test_a_scale_that_makes_the_picture_too_deep_is_doubted() -> None:
    """The drawn picture is 375 px deep."""
    assert settle_scale(Marks(scale=Scale.from_mm_per_px(1.0)), None, DARK, REGION)[1] == ()
    _, (note,) = settle_scale(Marks(scale=Scale.from_mm_per_px(2.0)), None, DARK, REGION)
    assert "the picture is 750 mm deep" in note


def test_a_size_that_makes_pixels_absurd_is_refused() -> None:
    with pytest.raises(MarksError, match=r"between 0\.001 and 5 mm per px"):
        Scale.from_target(Target.from_ellipse((100.0, 100.0), (5.0, 5.0)), 100.0)


@pytest.mark.parametrize(("true_mm", "said"), [(8.9, None), (8.1, "11% more"), (10.5, "15% less")])
def test_a_target_marked_at_another_size_than_its_true_one_is_told(true_mm: float, said: str | None) -> None:
    # 80 px across at 0.112 mm each: 8.96 mm.
    marks = Marks(scale=Scale.from_mm_per_px(0.112), target=ROUND_TARGET, target_true_mm=true_mm)
    scale, notes = settle_scale(marks, None, DARK, REGION)
    assert scale == marks.scale
    assert len(notes) == (said is not None)
    if said:
        assert f"is 8.96 mm across, {said} than its true {true_mm:g} mm" in notes[0]
