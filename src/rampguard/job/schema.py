"""The JSON Schema of job.toml, for editors that check as one writes: beside this module, as ``job.schema.json``.

It says less than `rampguard.job.model` checks. Made anew by ``python -m rampguard.job.schema``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

from rampguard.job.model import Job

SCHEMA: Final = Path(__file__).parent / "job.schema.json"


def schema_text() -> str:
    """The schema's text."""
    return json.dumps(Job.model_json_schema(), indent=2) + "\n"


if __name__ == "__main__":
    SCHEMA.write_text(schema_text(), encoding="utf-8")
