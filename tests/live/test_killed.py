"""What was recorded when the program was killed plays and scores with the marks beside it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from stand_ins import CLIPS, truth_of
from streams import MjpegServer

from needlecoach.analyse import score_clip
from needlecoach.live.saving import without_results
from needlecoach.marks import MarkOptions
from needlecoach.scored import scorable_marks

NAME = "clean_hit"


def test_a_recording_of_a_killed_program_scores_as_far_as_it_goes(tmp_path):
    root = Path(__file__).parents[2]
    with MjpegServer(CLIPS / f"{NAME}.mp4", numbered=True) as server:
        program = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("killed.py")), server.address, str(tmp_path)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(root)},
            text=True,
        )
        try:
            assert program.stdout is not None
            assert program.stdout.readline() == "in it\n"
        finally:
            program.kill()
            program.wait()
            program.stdout.close()
    (clip,) = without_results(tmp_path)
    marks = scorable_marks(clip, MarkOptions(), no_target=False)
    card = score_clip(clip, marks)
    assert marks.learner == "L01"
    assert len(card.attempts) == 1
    # 3 s of the attempt are in it, in which the tip comes near the target; nothing later.
    truth = [one for one in truth_of(NAME)["frames"] if one["tip_xy_px"]]
    until_s = truth[0]["time_s"] + card.attempts[0].figures["duration_s"].value
    nearest_mm = min(one["dist_centre_mm"] for one in truth if one["time_s"] <= until_s)
    assert card.attempts[0].figures["closest_centre_mm"].value == pytest.approx(nearest_mm, abs=1.0)
    assert card.attempts[0].cut_off
