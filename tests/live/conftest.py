"""What the tests of the live room share lies beside them."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent)]
