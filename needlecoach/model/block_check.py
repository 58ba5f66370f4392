"""What a look at a block of gel found: gas, texture, depth, layer lines, needle paths, and the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from needlecoach.model.basics import FloatArray, GreyImage, Point
from needlecoach.model.picture import Region
from needlecoach.model.scale import Scale, Sound

BlockVerdict = Literal["fine", "usable with care", "cast again"]
Weight = Literal["fine", "care", "again"]
Side = Literal["left", "right"]


@dataclass(frozen=True, eq=False)
class GasSpot:
    """A bright spot with a shadow below it, on one picture: gas, or something hard.

    `above_db` is how far it stands out of the gel at its depth, `shadow_db` how far the gel below it is
    darker than that beside. Depth and width are as shown; `outline_px` and `shadow_px` are polygons (n, 2)
    in the frame.
    """

    centre_px: Point
    width_mm: float
    depth_mm: float
    above_db: float
    shadow_db: float
    outline_px: FloatArray
    shadow_px: FloatArray


@dataclass(frozen=True)
class GasPocket:
    """The same gas on one picture after the other: its largest spot, and on how many pictures it was seen."""

    width_mm: float
    depth_mm: float
    above_db: float
    shadow_db: float
    n_pictures: int


@dataclass(frozen=True)
class LayerLine:
    """A nearly level bright line right across a picture; a positive `tilt_deg` falls to the right."""

    ends_px: tuple[Point, Point]
    depth_mm: float
    tilt_deg: float
    above_db: float


@dataclass(frozen=True, eq=False)
class TextureMap:
    """Blocks of one picture: corners (n, 2) in px of the frame, ratio (n,), and which count as even gel."""

    corner_px: FloatArray
    size_px: tuple[int, int]
    snr: FloatArray
    level_db: FloatArray
    even: tuple[bool, ...]


@dataclass(frozen=True)
class Texture:
    """Speckle of a block's gel: median over blocks of mean to spread of the amplitudes.

    `snr_low` and `snr_high` bound the median with 95 % confidence; `snr_spread` are the 10th and 90th
    percentile over blocks. `snr_by_range` are (dB, ratio) for dynamic ranges beside the one stated,
    `full_range_db` the range at which the texture would be that of fully developed speckle. `even_share` is
    the share of the picture, 0 to 1, that is gel of one texture and brightness.
    """

    snr: float
    snr_low: float
    snr_high: float
    snr_spread: tuple[float, float]
    n_blocks: int
    dynamic_range_db: float
    snr_by_range: tuple[tuple[float, float], ...]
    full_range_db: float
    even_share: float


@dataclass(frozen=True, eq=False)
class DepthFall:
    """How the gel's brightness changes with depth as shown, in dB; a negative slope is a fall.

    `profile` is (n, 2): depth in mm and median level. `lost_mm` is the depth below which the gel is mostly
    black, None where it is not. `span_mm` are the depths between which the slope was measured.
    """

    db_per_cm: float
    low_db_per_cm: float
    high_db_per_cm: float
    span_mm: tuple[float, float]
    profile: FloatArray
    lost_mm: float | None

    @property
    def total_db(self) -> float:
        """Change of level over the depths that were measured."""
        return self.db_per_cm * (self.span_mm[1] - self.span_mm[0]) / 10


@dataclass(frozen=True)
class NeedlePath:
    """A straight way through the picture to a target's centre; points are in px of the frame.

    `angle_deg` is to the level. `room_mm` is how near the closest obstacle comes to the way, infinite without
    any; `blocked_by` names one in the way. `slide_mm` is how far the probe must be slid before the needle
    can go in beside it, 0 where it can already.
    """

    side: Side
    angle_deg: float
    start_px: Point
    end_px: Point
    length_mm: float
    room_mm: float
    slide_mm: float
    blocked_by: str = ""


@dataclass(frozen=True, eq=False)
class TargetPaths:
    """A marked target and the ways to it, best first; blocked ones last. Depth is its centre's, true."""

    name: str
    outline_px: FloatArray
    depth_mm: float
    paths: tuple[NeedlePath, ...]
    note: str = ""

    @property
    def clear(self) -> tuple[NeedlePath, ...]:
        """The ways that nothing blocks, best first."""
        return tuple(path for path in self.paths if not path.blocked_by)


@dataclass(frozen=True, eq=False)
class CheckedPicture:
    """One picture that was looked at, the region cut out of it, and what was seen on it.

    `greys` (h, w) is the cut and `corner_px` its place in the frame.
    """

    source: str
    frame: int
    greys: GreyImage
    corner_px: Point
    region: Region
    scale: Scale
    gas: tuple[GasSpot, ...]
    n_specks: int
    layer_lines: tuple[LayerLine, ...]
    texture: TextureMap
    targets: tuple[TargetPaths, ...]


@dataclass(frozen=True)
class Reason:
    """Something that bears on the verdict: what was found, and what to do about it."""

    weight: Weight
    title: str
    found: str
    advice: str = ""


@dataclass(frozen=True, eq=False)
class BlockCheck:
    """All that was found of a block. `shadow_share` is the share of the worst picture in gas shadow."""

    sources: tuple[str, ...]
    verdict: BlockVerdict
    reasons: tuple[Reason, ...]
    pictures: tuple[CheckedPicture, ...]
    gas: tuple[GasPocket, ...]
    shadow_share: float
    texture: Texture
    depth: DepthFall
    sound: Sound | None
    block_code: str
    notes: tuple[str, ...]
