"""The scripts are no package: their folder is put on the path, last, for these tests."""

import sys
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"

if str(SCRIPTS) not in sys.path:
    sys.path.append(str(SCRIPTS))
