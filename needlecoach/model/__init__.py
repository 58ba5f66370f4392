"""The values that travel from room to room: frozen, checked when made, arrays read-only.

Points are (x, y) in pixels of the original frame, x right, y down, origin at the centre of the top-left
pixel; arrays of images index [y, x]; frames count from 0; times are presentation times in seconds.
"""

from needlecoach.model.basics import (
    LIMITS_DEAD_SPACE_MM,
    LIMITS_NEEDLE_MM,
    LIMITS_TARGET_MM,
    LIMITS_THROW_MM,
    LIMITS_TICK_MM,
    BoolArray,
    Corners,
    FloatArray,
    GreyImage,
    Point,
    check_length_mm,
)
from needlecoach.model.block import (
    Block,
    BlockContainer,
    BlockKind,
    BlockLayer,
    BlockShape,
    BlockTarget,
    ContainerKind,
    check_block_code,
)
from needlecoach.model.inspection import (
    Greys,
    Inspection,
    Storage,
    Timing,
)
from needlecoach.model.live import LiveRow, Sight
from needlecoach.model.marks import Core, Marks, OfBlock
from needlecoach.model.picture import (
    Clip,
    Frame,
    Region,
)
from needlecoach.model.result import (
    Advice,
    Attempt,
    Check,
    CoreSample,
    Earlier,
    EarlierAttempt,
    Figure,
    Pass,
    Scorecard,
    SizeCheck,
)
from needlecoach.model.scale import (
    ASSUMED_M_S,
    LIMITS_GEL_C,
    LIMITS_SPEED_M_S,
    LIMITS_WATER_C,
    Area,
    Medium,
    Scale,
    Sound,
)
from needlecoach.model.screen import (
    FilmedScreen,
    ScreenView,
)
from needlecoach.model.target import Target
from needlecoach.model.track import (
    Correction,
    CorrectionKind,
    Needle,
    Strip,
    Track,
)

__all__ = [
    "ASSUMED_M_S",
    "LIMITS_DEAD_SPACE_MM",
    "LIMITS_GEL_C",
    "LIMITS_NEEDLE_MM",
    "LIMITS_SPEED_M_S",
    "LIMITS_TARGET_MM",
    "LIMITS_THROW_MM",
    "LIMITS_TICK_MM",
    "LIMITS_WATER_C",
    "Advice",
    "Area",
    "Attempt",
    "Block",
    "BlockContainer",
    "BlockKind",
    "BlockLayer",
    "BlockShape",
    "BlockTarget",
    "BoolArray",
    "Check",
    "Clip",
    "ContainerKind",
    "Core",
    "CoreSample",
    "Corners",
    "Correction",
    "CorrectionKind",
    "Earlier",
    "EarlierAttempt",
    "Figure",
    "FilmedScreen",
    "FloatArray",
    "Frame",
    "GreyImage",
    "Greys",
    "Inspection",
    "LiveRow",
    "Marks",
    "Medium",
    "Needle",
    "OfBlock",
    "Pass",
    "Point",
    "Region",
    "Scale",
    "Scorecard",
    "ScreenView",
    "Sight",
    "SizeCheck",
    "Sound",
    "Storage",
    "Strip",
    "Target",
    "Timing",
    "Track",
    "check_block_code",
    "check_length_mm",
]
