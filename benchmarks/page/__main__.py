"""Make docs/benchmarks.md and its plots anew, without measuring.

Examples
--------
::

    .venv/bin/python -m benchmarks.page
    .venv/bin/python -m benchmarks.page benchmarks/history/ONE.json benchmarks/history/ANOTHER.json
"""

from __future__ import annotations

import sys
from pathlib import Path

from benchmarks.page.output import write

if __name__ == "__main__":
    print(f"made {write([Path(name) for name in sys.argv[1:]] or None)}")
