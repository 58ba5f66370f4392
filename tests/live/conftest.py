"""What the tests of the live room share lies beside them, and the camera on the network one folder above."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
