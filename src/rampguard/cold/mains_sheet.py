"""The mains side of a cold sheet: what was measured at the plug, unplugged, and what the nameplate and the fuse say."""

from __future__ import annotations

import math
from typing import Annotated, Final, Literal

from pydantic import Field, PlainValidator, model_validator

from instruments.strict import NotNegative, Positive, Strict

EARTH_LIMIT_OHM: Final = 0.1
"""Protective earth to touchable metal, without the lead: from memory of product standards and appliance tests. Your
local codes say what holds for you, and how much current it has to be measured with."""
INSULATION_LIMIT_MOHM: Final = {True: 1.0, False: 2.0}
"""Mains parts to touchable metal, by whether there is a protective earth: appliance-test practice, from memory."""
WINDING_DEGC: Final = 20.0


def _megohms(value: object) -> float:
    if value in ("open", "over-range"):
        return math.inf
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e6:
        raise ValueError('is no reading; write megohms as a plain number, or "over-range"')
    return float(value)


def _ohms(value: object) -> float:
    if value in ("open", "over-range"):
        return math.inf
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e6:
        raise ValueError('is no reading; write ohms as a plain number, or "open"')
    return float(value)


class MainsSheet(Strict):
    """Mains checks. What is not there was not checked."""

    mains_v: Annotated[float, Field(ge=90, le=260)] | None = None
    selector_v: Annotated[float, Field(ge=90, le=260)] | None = None
    """Where the unit's voltage selector stands; absent where it has none."""
    nameplate_v: Annotated[float, Field(ge=90, le=260)] | None = None
    nameplate_w: Positive | None = None
    protective_earth: bool = True
    """False: double insulated, or an old unit without an earth."""
    earth_continuity_ohm: Annotated[float, PlainValidator(_ohms)] | None = None
    """Earth pin to touchable metal, the meter's leads included."""
    earth_leads_ohm: Annotated[float, Field(ge=0, le=20)] = 0.0
    """Of that, the leads and the mains cord's own."""
    earth_limit_ohm: Positive = EARTH_LIMIT_OHM
    insulation_mohm: Annotated[float, PlainValidator(_megohms)] | None = None
    """Both mains pins together to touchable metal, power switch on."""
    insulation_test_v: Positive | None = None
    insulation_limit_mohm: Positive | None = None
    fuse_a: Annotated[float, Field(gt=0, le=63)] | None = None
    """Of the fuse that is in it."""
    fuse_type: Literal["FF", "F", "M", "T", "TT"] | None = None
    fuse_marked_a: Annotated[float, Field(gt=0, le=63)] | None = None
    """What is printed beside its holder."""
    fuse_marked_type: Literal["FF", "F", "M", "T", "TT"] | None = None
    winding_ohm: Annotated[float, PlainValidator(_ohms)] | None = None
    """The primary, at the plug, power switch on, selector as it stands; leads, and all else in series, included."""
    winding_leads_ohm: NotNegative = 0.0
    winding_degc: Annotated[float, Field(ge=-40, le=150)] = WINDING_DEGC
    """How warm the copper was."""

    @model_validator(mode="after")
    def _possible(self) -> MainsSheet:
        for key, leads in (("earth_continuity_ohm", "earth_leads_ohm"), ("winding_ohm", "winding_leads_ohm")):
            value = getattr(self, key)
            if value is not None and getattr(self, leads) > value + 0.05:
                raise ValueError(f"{leads} is more than {key}, which has the leads in it; correct one of them")
        return self

    @property
    def insulation_least_mohm(self) -> float:
        """The limit in use."""
        return self.insulation_limit_mohm or INSULATION_LIMIT_MOHM[self.protective_earth]

    @property
    def full_current_a(self) -> float | None:
        """Nameplate current, A rms; None where the nameplate is not known."""
        volts = self.nameplate_v or self.selector_v or self.mains_v
        return None if self.nameplate_w is None or volts is None else self.nameplate_w / volts
