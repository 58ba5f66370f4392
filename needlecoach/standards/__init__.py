"""Standards of training programmes: the file in which one writes its own criteria, and an example of it."""

from needlecoach.standards.file import (
    EXAMPLE,
    parse_standard,
    read_standard,
    standard_of_record,
    standard_record,
    write_example,
)

__all__ = [
    "EXAMPLE",
    "parse_standard",
    "read_standard",
    "standard_of_record",
    "standard_record",
    "write_example",
]
