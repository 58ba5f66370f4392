"""From a track to numbers: attempts, passes and every column of attempts.csv."""

from needlecoach.scoring.columns import COLUMNS, EVIDENCE_MEANING, Column
from needlecoach.scoring.score import Scoring, score_track

__all__ = ["COLUMNS", "EVIDENCE_MEANING", "Column", "Scoring", "score_track"]
