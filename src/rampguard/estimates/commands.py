"""`rampguard estimates`: what a healthy ramp's capture says about its unit."""

from __future__ import annotations

import sys
from pathlib import Path

from rampguard.archive.errors import ArchiveError
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.estimates.estimate import estimates_of
from rampguard.estimates.moments import NothingToTell
from rampguard.estimates.nominal import NominalError, nominals
from rampguard.estimates.recorded import ramp_of
from rampguard.estimates.story import as_message, as_text
from rampguard.printed import print_json


def estimates(folder: Path, nominal: str, *, as_json: bool) -> int:
    """Tell it. 0: told, be it that nothing can be; 2: it is no capture of a healthy ramp."""
    try:
        given = nominals(nominal)
        ramp = ramp_of(folder)
        for note in ramp.notes:
            print(note, file=sys.stderr)
        found = estimates_of(ramp.unit, ramp.sights, ramp.rails)
    except (ArchiveError, NominalError, NothingToTell) as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    except OSError as error:
        print(f"{folder}: cannot be read ({error.strerror}); check the path", file=sys.stderr)
        return EXIT_BAD_INPUT
    if as_json:
        print_json(as_message(found, given))
    else:
        print(as_text(folder.name, found, given), flush=True)
    return EXIT_DONE
