"""What can be wrong with a waveform's record.

::

    WaveformError(ValueError)
      ComtradeError     a COMTRADE record that cannot be read, or something that none can hold
"""

from __future__ import annotations


class WaveformError(ValueError):
    """A waveform that cannot be used."""


class ComtradeError(WaveformError):
    """A record that cannot be read or written. The text says which file, which line, and what to do."""
