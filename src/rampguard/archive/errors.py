"""Every error the archive raises.

::

    ArchiveError
    +-- TableError      a table that cannot be read as readings: names file, line, column and remedy
    +-- CaptureError    a folder that is no capture, or cannot be written
"""

from __future__ import annotations


class ArchiveError(Exception):
    """Any failure of the archive."""


class TableError(ArchiveError):
    """A table that cannot be read as readings."""


class CaptureError(ArchiveError):
    """A folder that is no capture, or one that cannot be written."""
