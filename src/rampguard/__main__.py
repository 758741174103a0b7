"""``python -m rampguard``."""

import sys

from rampguard.cli import main

sys.exit(main())
