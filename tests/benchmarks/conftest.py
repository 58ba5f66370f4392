"""The benchmarks are scripts beside the package; their folder and this one are put where imports look."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "benchmarks")]
