from __future__ import annotations

import sys
from pathlib import Path

for place in ("account", "cli", "desk"):
    sys.path.append(str(Path(__file__).parent.parent / place))
sys.path.append(str(Path(__file__).parent))
