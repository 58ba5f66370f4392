"""The target is followed on drawn pictures whose movements are known: invented data throughout."""

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scale, Target
from needlecoach.tracking import target as following
from needlecoach.tracking.plane import Plane
from needlecoach.tracking.target import BESIDE, TargetFollower, TargetPath

PLANE = Plane(Region(kind="rectangle", box_px=(60, 30, 400, 400)), Scale.from_mm_per_px(0.1))
CENTRE = np.array([130.0, 140.0])
RADIUS_MM = 4.0
RADIUS = RADIUS_MM / PLANE.step_mm
WIDTH, HEIGHT = PLANE.size
X, Y = np.meshgrid(np.arange(WIDTH, dtype=np.float32), np.arange(HEIGHT, dtype=np.float32))


def gel(*, centre: np.ndarray = CENTRE, seed: int = 0) -> np.ndarray:
    """Speckled gel with a dark, brightly rimmed disc."""
    noise = np.random.default_rng(seed).rayleigh(1.0, (HEIGHT, WIDTH)).astype(np.float32)
    picture = 60 * cv2.GaussianBlur(noise, (0, 0), sigmaX=1.8, sigmaY=1.0)
    radius = np.hypot(X - centre[0], Y - centre[1])
    picture = np.where(radius < RADIUS, 0.25 * picture, picture)
    return picture + 60 * np.exp(-((radius - RADIUS) ** 2) / 4)


def moved(picture: np.ndarray, offset: np.ndarray, *, centre: np.ndarray = CENTRE) -> np.ndarray:
    """Push the disc by `offset` px; the gel around it gives way less and less."""
    radius = np.hypot(X - centre[0] - offset[0], Y - centre[1] - offset[1])
    share = np.exp(-((np.maximum(radius / RADIUS - 1.1, 0) / 0.8) ** 2)).astype(np.float32)
    return cv2.remap(
        picture.astype(np.float32),
        (X - share * np.float32(offset[0])).astype(np.float32),
        (Y - share * np.float32(offset[1])).astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )


def shown(picture: np.ndarray, *, seed: int = 1, noise: float = 2.0) -> np.ndarray:
    """Picture as the scanner gives it: noisy, in grey values 0-255."""
    grains = np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(np.rint(picture + grains), 0, 255).astype(np.uint8)


def shifted(picture: np.ndarray, offset: np.ndarray, *, seed: int) -> np.ndarray:
    """Whole picture moved by `offset` px, as the scanner gives it."""
    matrix = np.array([[1, 0, offset[0]], [0, 1, offset[1]]])
    whole = picture.astype(np.float32)
    return shown(cv2.warpAffine(whole, matrix, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT), seed=seed)


def marked(*, frame: int = 0, at: np.ndarray = CENTRE) -> Target:
    """Target marked at a place of the working picture."""
    x, y = PLANE.to_frame_px(at)
    radius_px = RADIUS_MM / PLANE.scale.x_mm_per_px
    return Target.from_ellipse((float(x), float(y)), (radius_px, radius_px), frame=frame)


def followed(
    pictures: list[np.ndarray],
    target: Target,
    *,
    shift: np.ndarray,
    fps: float = 10.0,
    recorded: list[np.ndarray] | None = None,
) -> TargetPath:
    """Path through steadied pictures shown one by one; at 10 a second all are compared.

    `recorded` are the same before they were steadied, where that makes a difference.
    """
    known = pictures if recorded is None else recorded
    beside = range(max(target.frame - BESIDE, 0), min(target.frame + BESIDE + 1, len(pictures)))
    follower = TargetFollower({i: known[i] for i in beside}, target, PLANE)
    for i, picture in enumerate(pictures):
        follower.see(picture, i / fps)
    return follower.path(without_turn(shift))


def without_turn(shift: np.ndarray) -> np.ndarray:
    return np.concatenate([shift, np.zeros((len(shift), 1))], axis=1)


def error_mm(path: TargetPath, truth: np.ndarray) -> np.ndarray:
    """Distance of every followed centre from the true one, given in working pixels."""
    return np.hypot(*PLANE.scale.to_mm(path.centre_px - PLANE.to_frame_px(truth)).T)


def push(*, peak_mm: float = 3.0, rise: int = 6, stay: int = 4, back: int = 3) -> np.ndarray:
    """Offsets (n, 2) in working px of a push along (0.8, 0.6) that springs back."""
    along = np.concatenate(
        [
            np.zeros(3),
            np.linspace(0, peak_mm, rise + 1)[1:],
            np.full(stay, peak_mm),
            np.linspace(peak_mm, 0, back + 1)[1:],
            np.zeros(4),
        ]
    )
    return np.outer(along / PLANE.step_mm, [0.8, 0.6])


def still(n: int) -> np.ndarray:
    return np.zeros((n, 2))


def test_a_push_of_3_mm_and_back_is_followed():
    base, offsets = gel(), push()
    pictures = [shown(moved(base, o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_a_jump_of_3_mm_within_one_frame_is_followed():
    base, offsets = gel(), push(rise=1, back=1)
    pictures = [shown(moved(base, o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_a_push_that_stays_does_not_come_back():
    base, offsets = gel(), push()[:13]
    pictures = [shown(moved(base, o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(len(offsets)))
    assert error_mm(path, CENTRE + offsets)[-1] <= 0.2


def test_sub_pixel_pushes_are_told_apart():
    base, offsets = gel(), np.outer(np.linspace(0, 1, 11), [1.0, -0.5])
    pictures = [shown(moved(base, o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(11))
    assert error_mm(path, CENTRE + offsets).max() <= 0.15 * PLANE.step_mm


def test_drift_that_was_taken_out_is_put_back():
    shift = np.outer(np.arange(8), [1.5, -0.75])
    pictures = [shown(gel(), seed=i) for i in range(8)]
    path = followed(pictures, marked(), shift=shift)
    assert path.found.all()
    assert error_mm(path, CENTRE + shift).max() <= 0.03


def drifting(offsets: np.ndarray, shift: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Pictures as steadied and as recorded, in which the whole drifts by `shift`."""
    looks = [moved(gel(), offset) for offset in offsets]
    steadied = [shown(look, seed=i) for i, look in enumerate(looks)]
    recorded = [shifted(look, by, seed=i) for i, (look, by) in enumerate(zip(looks, shift, strict=True))]
    return steadied, recorded


@pytest.mark.parametrize("drift_mm", [1.0, 3.0, 4.5, 5.8])
@pytest.mark.parametrize("frame", [5, 11])
def test_drift_and_push_before_the_marked_frame_are_reckoned_from_there(frame, drift_mm):
    """By the marked frame the probe has drifted as far as drift is taken out at all, and less."""
    offsets = push()[:12]
    shift = np.outer(np.arange(12) / frame, [0.8, -0.6]) * drift_mm / PLANE.step_mm
    pictures, recorded = drifting(offsets, shift)
    truth = CENTRE + offsets + shift
    path = followed(pictures, marked(frame=frame, at=truth[frame]), shift=shift, recorded=recorded)
    assert path.found.all()
    assert error_mm(path, truth).max() <= 0.2


def test_drift_that_was_left_in_is_followed():
    offsets = np.outer(np.arange(12), [1.2, 0.9])
    pictures = [shifted(gel(), offset, seed=i) for i, offset in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(12))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.1


@pytest.mark.parametrize("angle_deg", [15, 35, 60])
def test_a_bright_needle_across_it_does_not_drag_it_along(angle_deg):
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    pictures = []
    for i in range(16):
        picture = gel().astype(np.float32)
        tip = CENTRE + (i - 8) * 6 * direction
        cv2.line(picture, *[tuple(int(v) for v in p) for p in (tip - 300 * direction, tip)], 230.0, 4)
        cv2.circle(picture, tuple(int(v) for v in tip), 4, 255.0, -1)
        pictures.append(shown(picture, seed=i))
    path = followed(pictures, marked(), shift=still(16))
    assert path.found.all()
    assert error_mm(path, np.tile(CENTRE, (16, 1))).max() <= 0.1


def test_a_needle_in_the_marked_frame_does_not_take_the_target_with_it():
    offsets = push(peak_mm=1.5)
    pictures = []
    for i, offset in enumerate(offsets):
        picture = moved(gel(), offset)
        end = int(CENTRE[0]) - 20 + i
        cv2.line(picture, (0, int(CENTRE[1]) - 30), (end, int(CENTRE[1]) - 5), 230.0, 4)
        pictures.append(shown(picture, seed=i))
    path = followed(pictures, marked(frame=1), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_a_lost_target_is_held_flagged_and_found_again():
    offsets = np.concatenate([push()[:12], np.tile(push()[11], (14, 1))])
    pictures = [shown(moved(gel(), o), seed=i) for i, o in enumerate(offsets)]
    for i in range(14, 20):
        pictures[i] = shown(gel(seed=99 + i, centre=np.array([-500.0, 0.0])), seed=i)
    path = followed(pictures, marked(), shift=still(len(offsets)))
    assert path.found.tolist() == [not 14 <= i < 20 for i in range(len(offsets))]
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_a_held_target_moves_with_the_picture():
    pictures = [shown(gel(), seed=i) if i < 4 else np.zeros((HEIGHT, WIDTH), np.uint8) for i in range(8)]
    shift = np.outer(np.arange(8), [1.0, 0.5])
    path = followed(pictures, marked(), shift=shift)
    assert path.found.tolist() == [True] * 4 + [False] * 4
    assert error_mm(path, CENTRE + shift).max() <= 0.03


def test_a_change_of_plane_is_held_rather_than_followed():
    """Another piece of gel slowly takes over, as in a sweep."""
    before, after = gel(), gel(seed=7, centre=np.array([-500.0, 0.0]))
    share = np.linspace(0, 1, 30)
    pictures = [shown((1 - s) * before + s * after, seed=i) for i, s in enumerate(share)]
    path = followed(pictures, marked(), shift=still(30))
    assert path.found[:8].all()
    assert not path.found[-6:].any()
    assert error_mm(path, np.tile(CENTRE, (30, 1))).max() <= 0.25


def test_a_changed_look_is_believed_less():
    offset = np.array([0.0, 4.0])
    here, there, other = gel(), moved(gel(), offset), gel(seed=7, centre=np.array([-500.0, 0.0]))
    looks = [here, here, there, here, 0.28 * there + 0.72 * other]
    pictures = [shown(look, seed=i) for i, look in enumerate(looks)]
    path = followed(pictures, marked(), shift=still(5))
    seen = PLANE.from_frame_px(path.centre_px) - CENTRE
    assert path.found.all()
    assert seen[2, 1] == pytest.approx(4.0, abs=0.3)
    assert 0.2 < seen[4, 1] < 3.2


@pytest.mark.parametrize("frame", [0, 9, 19])
def test_marked_on_any_frame_it_is_followed_both_ways(frame):
    offsets = push()
    frame = min(frame, len(offsets) - 1)
    pictures = [shown(moved(gel(), o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(frame=frame, at=CENTRE + offsets[frame]), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


@pytest.mark.parametrize("frame", [0, 17, 43])
def test_at_30_pictures_a_second_those_in_between_are_followed_too(frame):
    """3 mm in 0.6 s; every other picture is compared, the rest lie on the way between two of them."""
    offsets = push(rise=18, stay=12, back=9)
    pictures = [shown(moved(gel(), o), seed=i) for i, o in enumerate(offsets)]
    path = followed(
        pictures, marked(frame=frame, at=CENTRE + offsets[frame]), shift=still(len(offsets)), fps=30.0
    )
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_pictures_in_between_lie_on_the_straight_line_in_time():
    """Uneven times: compared at 0, 0.05, 0.1 and 0.16 s; the drift taken out is put back in every picture."""
    time_s = np.array([0, 0.01, 0.04, 0.05, 0.08, 0.1, 0.16])
    offsets, shift = np.outer(time_s, [40.0, 30.0]), np.outer(time_s, [5.0, -9.0])
    pictures = [shown(moved(gel(), o), seed=i) for i, o in enumerate(offsets)]
    follower = TargetFollower(dict(enumerate(pictures[:3])), marked(), PLANE)
    for at_s, picture in zip(time_s, pictures, strict=True):
        follower.see(picture, at_s)
    place = PLANE.from_frame_px(follower.path(without_turn(shift)).centre_px) - shift
    compared = np.isin(time_s, [0, 0.05, 0.1, 0.16])
    for k in (0, 1):
        line = np.interp(time_s, time_s[compared], place[compared, k])
        np.testing.assert_allclose(place[:, k], line, atol=1e-9)
    np.testing.assert_allclose(place, CENTRE + offsets, atol=0.5)


@pytest.mark.parametrize("at", range(8, 12))
def test_at_60_pictures_a_second_a_jump_is_told_within_two_of_those_compared(at):
    """A quiet target is compared ten times a second, one that moved also in between: at 0.05 s, not 0.1 s."""
    offsets = np.repeat([[0.0, 0.0], [6.0, 3.0]], [at, 20 - at], axis=0)
    pictures = [shown(moved(gel(), o), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(20), fps=60.0)
    assert (error_mm(path, CENTRE + offsets) > 0.2).sum() <= 2


def test_of_a_quiet_target_a_third_of_the_pictures_is_compared(monkeypatch):
    compared, vote = [], following._vote
    monkeypatch.setattr(following, "_vote", lambda *given: compared.append(1) or vote(*given))
    followed([shown(gel(), seed=i) for i in range(31)], marked(), shift=still(31), fps=30.0)
    assert len(compared) <= 14


def test_at_30_pictures_a_second_a_lost_target_is_flagged():
    pictures = [shown(gel(), seed=i) for i in range(30)]
    for i in range(10, 20):
        pictures[i] = shown(gel(seed=99 + i, centre=np.array([-500.0, 0.0])), seed=i)
    found = followed(pictures, marked(), shift=still(30), fps=30.0).found
    assert found[:9].all() and found[21:].all()
    assert not found[11:19].any()


@pytest.mark.parametrize("centre", [(10.0, 140.0), (260.0, 250.0), (130.0, 2.0)])
def test_a_target_partly_outside_the_picture_is_followed_by_the_rest(centre):
    at = np.array(centre)
    inwards = np.sign(np.array([WIDTH, HEIGHT]) / 2 - at)
    offsets = push(peak_mm=1.0) * inwards
    pictures = [shown(moved(gel(centre=at), o, centre=at), seed=i) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(at=at), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, at + offsets).max() <= 0.2


@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_a_target_without_texture_stays_with_the_picture(noise):
    """Nothing but the scanner's noise in and round the target, speckle further off."""
    empty = np.hypot(X - CENTRE[0], Y - CENTRE[1]) < 2 * RADIUS
    shift = np.outer(np.arange(6), [2.0, 1.0])
    same = np.where(empty, 70, gel(centre=np.array([-500.0, 0.0])))
    other = np.where(empty, 70, gel(seed=5, centre=np.array([-500.0, 0.0])))
    pictures = [shown(same if i < 4 else other, seed=i, noise=noise) for i in range(6)]
    path = followed(pictures, marked(), shift=shift)
    assert error_mm(path, CENTRE + shift).max() <= 0.01
    assert path.found.tolist() == [True] * 4 + [False] * 2


@pytest.mark.parametrize("frame", [0, 2, 5])
def test_a_target_without_texture_is_reckoned_from_the_drift_at_its_marked_frame(frame):
    empty = np.hypot(X - CENTRE[0], Y - CENTRE[1]) < 2 * RADIUS
    look = np.where(empty, 70, gel(centre=np.array([-500.0, 0.0])))
    shift = np.outer(np.arange(6), [2.0, 1.0])
    steadied = [shown(look, seed=i) for i in range(6)]
    recorded = [shifted(look, by, seed=i) for i, by in enumerate(shift)]
    path = followed(steadied, marked(frame=frame, at=CENTRE + shift[frame]), shift=shift, recorded=recorded)
    assert path.found.all()
    assert error_mm(path, CENTRE + shift).max() <= 0.05


def test_a_noisy_scanner_does_not_lose_it():
    offsets = push()
    pictures = [shown(moved(gel(), o), seed=i, noise=15.0) for i, o in enumerate(offsets)]
    path = followed(pictures, marked(), shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, CENTRE + offsets).max() <= 0.2


def test_one_frame_is_its_own_answer():
    path = followed([shown(gel())], marked(), shift=still(1))
    assert path.found.tolist() == [True]
    assert error_mm(path, CENTRE[None]).max() < 0.01


def test_no_frame_gives_no_row():
    path = TargetFollower({0: shown(gel())}, marked(), PLANE).path(still(0))
    assert path.centre_px.shape == (0, 2)
    assert path.found.shape == (0,)


def test_an_outline_off_the_picture_stays_where_it_was_marked():
    at = np.array([-300.0, 140.0])
    pictures = [shown(gel(), seed=i) for i in range(3)]
    path = followed(pictures, marked(at=at), shift=still(3))
    assert error_mm(path, np.tile(at, (3, 1))).max() < 1e-6


@pytest.mark.parametrize(("radius_mm", "place"), [(0.8, (190.0, 140.0)), (14.0, (130.0, 140.0))])
def test_small_and_large_targets_are_followed(radius_mm, place):
    offsets = np.outer(np.r_[0, 0, np.linspace(0, 8, 6), 8, 0], [1.0, 0.5])
    radius_px = radius_mm / PLANE.scale.x_mm_per_px
    x, y = PLANE.to_frame_px(place)
    target = Target.from_ellipse((float(x), float(y)), (radius_px, radius_px))
    pictures = [shifted(gel(), offset, seed=i) for i, offset in enumerate(offsets)]
    path = followed(pictures, target, shift=still(len(offsets)))
    assert path.found.all()
    assert error_mm(path, place + offsets).max() <= 0.1
