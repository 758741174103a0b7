"""`rampguard verify` and `rampguard export`: from what was typed to what is printed."""

from __future__ import annotations

import argparse
import sys

from rampguard.archive.errors import ArchiveError
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.printed import print_json
from rampguard.records import verify as verifying


def verify(options: argparse.Namespace) -> int:
    """Judge captures. 0: all are whole; 2: one is not, or cannot be looked at."""
    verified, wrong = verifying.verify(options.paths, options.seal_of)
    for problem in wrong:
        print(problem, file=sys.stderr)
    if options.json:
        print_json(verifying.message(verified, wrong))
    else:
        print("\n".join(verifying.lines(verified)))
    return EXIT_DONE if verifying.all_whole(verified, wrong) else EXIT_BAD_INPUT


def export(options: argparse.Namespace) -> int:
    """Write a capture in other forms. 0: done; 2: it cannot be read or written, or nothing was asked for."""
    from rampguard.records.parquet import ExportRefused, write_parquet

    if options.parquet is None:
        print("export: say what to write, such as --parquet FILE", file=sys.stderr)
        return EXIT_BAD_INPUT
    try:
        written = write_parquet(options.capture, options.parquet)
    except (ArchiveError, ExportRefused) as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    if options.json:
        print_json({"format": 1, "parquet": written.as_message})
    else:
        print("\n".join(written.as_lines))
    return EXIT_DONE
