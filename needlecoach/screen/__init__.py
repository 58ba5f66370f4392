"""From what the scanner's screen shows to the picture's place in it."""

from needlecoach.screen.picture import check_picture
from needlecoach.screen.region import find_region, given_region

__all__ = ["check_picture", "find_region", "given_region"]
