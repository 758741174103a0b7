"""What scripts read on standard output: one JSON object on a line, and nothing else there."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def print_json(value: Mapping[str, Any]) -> None:
    """Print an object. Raises ValueError for numbers that JSON has not."""
    print(json.dumps(value, allow_nan=False), flush=True)
