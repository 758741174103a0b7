"""A transformer alone, its secondaries open."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from instruments.simulated import amplifier
from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.unit import Nameplate, Unit

PARTS: Final = {
    name: amplifier.SINGLE[name]
    for name in ("supply_ohm", "primary_ohm", "magnetising_h", "knee_wb", "knee_a", "residual", "core_loss_ohm")
}
NAMEPLATE: Final = Nameplate("transformer", 80.0, 1.0)


class BareTransformer(Unit):
    """A transformer on the bench, before it goes back in."""

    nameplate = NAMEPLATE

    def __init__(self, values: Mapping[str, Real], ops: Ops) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.values = dict(values)
        self.transformer = amplifier.transformer_of(values, ())
        self.transformer.magnetise(self.transformer.residual_wb)

    def _step(self, source_v: Real, dt_s: float) -> Real:
        return self.transformer.step(self.front.ahead_ohm, source_v, dt_s, self.ops)

    def _rest(self, dt_s: float) -> None:
        self.transformer.rest(dt_s, self.ops)
