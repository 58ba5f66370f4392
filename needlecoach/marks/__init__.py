"""What a user says of a clip (target, scale, region, learner, needle): read, check, write, merge."""

from needlecoach.marks.checks import (
    check_marks,
    checked_box,
    checked_core,
    checked_target_mm,
    checked_tick_mm,
    parse_learner,
)
from needlecoach.marks.file import (
    MarksFile,
    PointPx,
    StrictEntry,
    TargetEntry,
    first_fault,
    marks_from_json,
    marks_path,
    read_marks,
    write_json,
    write_marks,
)
from needlecoach.marks.options import (
    MarkOptions,
    marks_beside,
    merge_marks,
    parse_medium,
    parse_region,
    parse_scale,
    parse_screen,
    parse_target,
)

__all__ = [
    "MarkOptions",
    "MarksFile",
    "PointPx",
    "StrictEntry",
    "TargetEntry",
    "check_marks",
    "checked_box",
    "checked_core",
    "checked_target_mm",
    "checked_tick_mm",
    "first_fault",
    "marks_beside",
    "marks_from_json",
    "marks_path",
    "merge_marks",
    "parse_learner",
    "parse_medium",
    "parse_region",
    "parse_scale",
    "parse_screen",
    "parse_target",
    "read_marks",
    "write_json",
    "write_marks",
]
