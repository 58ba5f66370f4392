"""Nothing of the screen but the ultrasound picture leaves: text outside it is searched for."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from needlecoach.model import Region, Scorecard
from needlecoach.reporting.overlay import BAR_HEIGHT_PX
from needlecoach.reporting.replay import stills, write_replay
from needlecoach.reporting.results import write_results

WIDTH, HEIGHT, N = 320, 240, 75
SECTOR = Region("sector", (40, 20, 240, 200), (160.0, -40.0), 70.0, 255.0, 28.0)
RECTANGLE = Region("rectangle", (70, 60, 180, 120))
WRITING = "INVENTED 4711"


def written(image: np.ndarray, at: tuple[int, int]) -> np.ndarray:
    return cv2.putText(image, WRITING, at, cv2.FONT_HERSHEY_SIMPLEX, 0.4, 255, 1, cv2.LINE_AA)


def template() -> np.ndarray:
    """The marker alone, cut to its box."""
    image = written(np.zeros((24, 120), np.uint8), (4, 16))
    x, y, w, h = cv2.boundingRect(image)
    return image[y : y + h, x : x + w]


@pytest.fixture(scope="module")
def clip_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Dim speckle with the marker in the corners of the sector's box, above it and below it."""
    path = tmp_path_factory.mktemp("screen") / "L01.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"FFV1"), 25, (WIDTH, HEIGHT))
    speckle = np.random.default_rng(3).integers(5, 60, (HEIGHT, WIDTH), dtype=np.uint8)
    for _ in range(N):
        screen = speckle.copy()
        for at in ((2, 14), (44, 36), (200, 36), (2, 236), (210, 236)):
            written(screen, at)
        writer.write(cv2.cvtColor(screen, cv2.COLOR_GRAY2BGR))
    writer.release()
    return path


def likeness(picture: np.ndarray) -> float:
    """How well the marker matches anywhere in a picture, at sizes it can have there: 1 is itself."""
    grey = cv2.cvtColor(picture[:-BAR_HEIGHT_PX], cv2.COLOR_BGR2GRAY)
    best = 0.0
    for zoom in (2.0, 2.25, 2.5, 2.75):
        marker = cv2.resize(template(), None, fx=zoom, fy=zoom, interpolation=cv2.INTER_LINEAR)
        if marker.shape[0] < grey.shape[0] and marker.shape[1] < grey.shape[1]:
            best = max(best, float(cv2.matchTemplate(grey, marker, cv2.TM_CCOEFF_NORMED).max()))
    return best


def pictures_of(card: Scorecard, folder: Path) -> list[np.ndarray]:
    """All stills and every tenth picture of the replay."""
    write_replay(card, folder / "r.webm")
    capture, shown = cv2.VideoCapture(str(folder / "r.webm")), []
    while (read := capture.read())[0]:
        shown.append(read[1])
    capture.release()
    encoded = stills(card, [5, 37]).values()
    return [cv2.imdecode(np.frombuffer(one, np.uint8), cv2.IMREAD_COLOR) for one in encoded] + shown[::10]


def of_clip(card: Scorecard, clip_file: Path, **changes: object) -> Scorecard:
    return replace(card, clip=replace(card.clip, path=clip_file), **changes)


@pytest.mark.parametrize("region", [SECTOR, RECTANGLE], ids=["sector", "rectangle"])
def test_a_marker_outside_the_region_is_in_no_picture(
    card: Scorecard, clip_file: Path, tmp_path: Path, region: Region
) -> None:
    pictures = pictures_of(of_clip(card, clip_file, region=region), tmp_path)
    assert len(pictures) == 10
    assert max(map(likeness, pictures)) < 0.55


def test_the_whole_screen_is_shown_when_asked_for(card: Scorecard, clip_file: Path, tmp_path: Path) -> None:
    whole = of_clip(card, clip_file, region=SECTOR, options={"keep_screen": True})
    pictures = pictures_of(whole, tmp_path)
    assert min(map(likeness, pictures)) > 0.75
    assert pictures[0].shape[1] / (pictures[0].shape[0] - BAR_HEIGHT_PX) == pytest.approx(320 / 240, rel=0.01)


def test_outside_a_sector_all_is_black(card: Scorecard, clip_file: Path) -> None:
    still = stills(of_clip(card, clip_file, region=SECTOR, marks=replace(card.marks, target=None)), [0])[0]
    picture = cv2.imdecode(np.frombuffer(still, np.uint8), cv2.IMREAD_COLOR)[:-BAR_HEIGHT_PX]
    zoom = picture.shape[1] / 240
    x, y = np.meshgrid(np.arange(picture.shape[1]), np.arange(picture.shape[0]))
    points_px = np.stack([(x + 0.5) / zoom - 0.5 + 40, (y + 0.5) / zoom - 0.5 + 20], axis=-1)
    far_out = cv2.erode((~SECTOR.contains(points_px)).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    assert far_out.mean() > 0.2
    # JPEG rings a little beside the edge.
    assert picture[far_out].max() < 8


def test_page_and_record_say_what_is_shown(card: Scorecard, clip_file: Path, tmp_path: Path) -> None:
    for options, words in (
        ({}, "Only the ultrasound picture is kept"),
        ({"keep_screen": True}, "--keep-screen"),
    ):
        whole = of_clip(card, clip_file, region=RECTANGLE, options=options)
        folder = write_results(whole, tmp_path / words[:6], replay=True)
        assert words in (folder / "summary.html").read_text(encoding="utf-8")
        assert ("keep_screen" in (folder / "run.json").read_text(encoding="utf-8")) is bool(options)
