"""``python -m tapewright``."""

import sys

from tapewright.cli import main

sys.exit(main())
