"""How hot a winding is, from its resistance cold and warm: the copper rule."""

from __future__ import annotations

from typing import Final

COPPER_K: Final = 234.5
"""Copper's resistance, followed down as a straight line, is nothing at -234.5 degC (handbook value, as used by product
standards for temperature rise by resistance)."""


def winding_rise_k(
    cold_ohm: float, warm_ohm: float, *, cold_degc: float, room_degc: float | None = None, material_k: float = COPPER_K
) -> float:
    """Rise above the room, K, of a winding of so many ohms at ``cold_degc`` and when warm.

    ``room_degc`` is the room's temperature at the end where it has changed since. Raises ValueError for resistances
    that are not above zero.
    """
    if cold_ohm <= 0.0 or warm_ohm <= 0.0:
        raise ValueError(f"a winding has some resistance: {cold_ohm:g} ohm cold, {warm_ohm:g} ohm warm")
    room_degc = cold_degc if room_degc is None else room_degc
    return (warm_ohm - cold_ohm) / cold_ohm * (material_k + cold_degc) - (room_degc - cold_degc)
