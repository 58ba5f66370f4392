"""What can go wrong that a user can mend.

NeedlecoachError
├── ClipError       the recording can't be read
├── MarksError      what the user said of the clip is missing, broken or impossible
├── StandardError   a programme's standard can't be read or can't be one
├── CohortError     results of many clips, or ratings of them, can't be put together
├── BlockError      a plan or file of a block can't be read, or no such block can be cast
├── LanguageError   a language file can't be read or lacks words
├── OutputError     results can't be written
└── UnscorableError the clip was read, and holds nothing that can be scored

The command line prints the message as one line and exits 2 (3 for `UnscorableError`). Anything else is a
defect of ours and keeps its traceback. A message says what was wrong, where, and what to do.
"""


class NeedlecoachError(Exception):
    """Parent of every error that a user can mend."""


class ClipError(NeedlecoachError):
    """The recording is missing, empty, damaged or not a video."""


class MarksError(NeedlecoachError):
    """A mark (target, scale, region, learner, needle) is missing, malformed or impossible."""


class StandardError(NeedlecoachError):
    """A programme's standard is missing, malformed, or asks for what there is not."""


class CohortError(NeedlecoachError):
    """Results of many clips, ratings of them, or what is asked of them, can't be put together."""


class BlockError(NeedlecoachError):
    """A plan or file of a block is missing, malformed or impossible."""


class LanguageError(NeedlecoachError):
    """A file of words in one language is missing, malformed or not complete."""


class OutputError(NeedlecoachError):
    """The results could not be written; nothing half-written is left behind."""


class UnscorableError(NeedlecoachError):
    """The clip can be read but holds nothing that can be scored; the message is the reason in words."""
