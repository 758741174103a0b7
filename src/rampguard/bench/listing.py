"""What is connected to this computer, as far as it says so."""

from __future__ import annotations

import warnings


def visa_resources() -> tuple[list[str], str]:
    """VISA resources that the backend finds, and why there may be more. Takes a second or so."""
    import pyvisa

    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            found = list(pyvisa.ResourceManager("@py").list_resources("?*"))
        except (pyvisa.Error, ValueError, OSError) as error:
            return [], f"the search failed: {error}"
    lacking = sorted({str(warning.message).splitlines()[0] for warning in said})
    return sorted(found), "; ".join(lacking)


def serial_ports() -> list[tuple[str, str]]:
    """Serial ports, each with what it says it is; none where pyserial is not installed."""
    try:
        from serial.tools import list_ports
    except ImportError:
        return []
    return sorted((port.device, port.description) for port in list_ports.comports())
