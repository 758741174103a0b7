"""Motors: a capacitor-run induction motor with a fan on its shaft, and a universal motor.

The induction motor is the usual two-axis machine in stator coordinates, main and auxiliary winding as equal windings a
quarter turn apart, the auxiliary behind a capacitor (Krause, Wasynczuk, Sudhoff, Analysis of Electric Machinery; from
memory). Its torque falls with the square of the voltage, so that it stalls against friction well below line.
The universal motor: back-EMF and torque in proportion to the current through its field, by one constant.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.unit import Nameplate, Unit

INDUCTION: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac"),
    "main_ohm": Part(150.0, 0.1, "main winding of a fan of some 25 W"),
    "auxiliary_ohm": Part(220.0, 0.1, "auxiliary winding"),
    "rotor_ohm": Part(260.0, 0.1, "a rotor of high resistance, as fans have"),
    "leakage_h": Part(0.25, 0.1, "leakage of each winding"),
    "mutual_h": Part(2.2, 0.1, "between stator and rotor"),
    "capacitor_f": Part(1.5e-6, 0.1, "run capacitor"),
    "friction_nm": Part(0.012, 0.3, "bearings that have stood for years"),
    "fan_nm": Part(0.030, 0.2, "air, at synchronous speed; goes with its square"),
    "inertia_kgm2": Part(6e-5, 0.2, "rotor and blades"),
}
"""Nominal parts, two poles. All common practice, no source."""

UNIVERSAL: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac"),
    "main_ohm": Part(60.0, 0.1, "field and armature of a small motor"),
    "leakage_h": Part(0.35, 0.15, "inductance of both"),
    "constant": Part(0.33, 0.1, "back-EMF in volts for each ampere and radian a second; torque in N m/A^2"),
    "friction_nm": Part(0.006, 0.3, "bearings and brushes"),
    "fan_nm": Part(0.045, 0.2, "air, at 800 rad/s; goes with the square of speed"),
    "inertia_kgm2": Part(3e-5, 0.2, "armature and fan"),
}
"""Nominal parts. All common practice, no source."""

UNIVERSAL_AT_RAD_S: Final = 800.0
STILL_RAD_S: Final = 1.0
"""Below this speed friction holds the shaft as far as it reaches."""


def for_mains(values: Mapping[str, Real], mains_v: float, frequency_hz: float) -> dict[str, Real]:
    """The same motor wound for other mains; 60 Hz runs it faster."""
    square = (mains_v / REFERENCE_V) ** 2
    scaled = dict(values)
    for name in ("supply_ohm", "main_ohm", "auxiliary_ohm", "rotor_ohm", "leakage_h", "mutual_h", "constant"):
        if name in values:
            scaled[name] = values[name] * square
    if "capacitor_f" in values:
        scaled["capacitor_f"] = values["capacitor_f"] / square * 50.0 / frequency_hz
        for name in ("leakage_h", "mutual_h"):
            scaled[name] = scaled[name] * 50.0 / frequency_hz
    return scaled


def _accelerate(speed: Real, driving_nm: Real, p: Mapping[str, Real], air_nm: Real, dt_s: float, ops: Ops) -> Real:
    """The speed a step later, against friction and air."""
    still = ops.size(speed) < STILL_RAD_S
    holds = ops.both(still, ops.size(driving_nm) < p["friction_nm"])
    braking_nm = (p["friction_nm"] + air_nm) * ops.sign(ops.either(still, driving_nm, speed))
    return ops.either(holds, 0.0, speed + dt_s * (driving_nm - braking_nm) / p["inertia_kgm2"])


class InductionMotor(Unit):
    """A capacitor-run motor with a fan; ``values`` as in `INDUCTION`."""

    nameplate = Nameplate("motor", 60.0)

    def __init__(self, values: Mapping[str, Real], ops: Ops, *, frequency_hz: float) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.values = dict(values)
        self.synchronous_rad_s = 6.283185307179586 * frequency_hz
        self.speed_rad_s: Real = 0.0
        self._main_wb: Real = 0.0
        self._aux_wb: Real = 0.0
        self._rotor_main_wb: Real = 0.0
        self._rotor_aux_wb: Real = 0.0
        self._cap_v: Real = 0.0
        own_h = values["leakage_h"] + values["mutual_h"]
        self._own_h = own_h
        self._spread = 1.0 / (own_h * own_h - values["mutual_h"] * values["mutual_h"])

    def _currents(self, stator_wb: Real, rotor_wb: Real) -> tuple[Real, Real]:
        """Stator and rotor current of one axis from its flux linkages."""
        mutual_h = self.values["mutual_h"]
        return (
            (self._own_h * stator_wb - mutual_h * rotor_wb) * self._spread,
            (self._own_h * rotor_wb - mutual_h * stator_wb) * self._spread,
        )

    def _step(self, source_v: Real, dt_s: float) -> Real:
        # Heun's rule: the slopes at the step's beginning and at its end as the first guess has it.
        state = (self._main_wb, self._aux_wb, self._rotor_main_wb, self._rotor_aux_wb, self._cap_v)
        first = self._slopes(state, source_v)
        guess = tuple(x + dt_s * d for x, d in zip(state, first, strict=True))
        second = self._slopes(guess, source_v)
        half = 0.5 * dt_s
        self._main_wb, self._aux_wb, self._rotor_main_wb, self._rotor_aux_wb, self._cap_v = (
            x + half * (a + b) for x, a, b in zip(state, first, second, strict=True)
        )
        main_a, rotor_main_a = self._currents(self._main_wb, self._rotor_main_wb)
        aux_a, rotor_aux_a = self._currents(self._aux_wb, self._rotor_aux_wb)
        driving_nm = self.values["mutual_h"] * (main_a * rotor_aux_a - aux_a * rotor_main_a)
        self._turn(driving_nm, dt_s)
        return main_a + aux_a

    def _slopes(self, state: tuple[Real, ...], source_v: Real) -> tuple[Real, ...]:
        main_wb, aux_wb, rotor_main_wb, rotor_aux_wb, cap_v = state
        p, speed = self.values, self.speed_rad_s
        main_a, rotor_main_a = self._currents(main_wb, rotor_main_wb)
        aux_a, rotor_aux_a = self._currents(aux_wb, rotor_aux_wb)
        at_v = source_v - self.front.ahead_ohm * (main_a + aux_a)
        return (
            at_v - p["main_ohm"] * main_a,
            at_v - cap_v - p["auxiliary_ohm"] * aux_a,
            speed * rotor_aux_wb - p["rotor_ohm"] * rotor_main_a,
            -speed * rotor_main_wb - p["rotor_ohm"] * rotor_aux_a,
            aux_a / p["capacitor_f"],
        )

    def _turn(self, driving_nm: Real, dt_s: float) -> None:
        part = self.speed_rad_s / self.synchronous_rad_s
        air_nm = self.values["fan_nm"] * part * part
        self.speed_rad_s = _accelerate(self.speed_rad_s, driving_nm, self.values, air_nm, dt_s, self.ops)

    def _rest(self, dt_s: float) -> None:
        # With the line open the windings' currents stop at once; the shaft runs down.
        self._main_wb, self._aux_wb = 0.0 * self._main_wb, 0.0 * self._aux_wb
        self._rotor_main_wb, self._rotor_aux_wb = 0.0 * self._main_wb, 0.0 * self._aux_wb
        self._cap_v = self._cap_v * (1.0 - dt_s)
        self._turn(0.0 * self._main_wb, dt_s)


class UniversalMotor(Unit):
    """A universal motor with a fan; ``values`` as in `UNIVERSAL`."""

    nameplate = Nameplate("motor", 120.0)

    def __init__(self, values: Mapping[str, Real], ops: Ops) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.values = dict(values)
        self.speed_rad_s: Real = 0.0
        self._amperes: Real = 0.0

    def _step(self, source_v: Real, dt_s: float) -> Real:
        p = self.values
        kept_ohm = p["leakage_h"] / dt_s
        ohm = self.front.ahead_ohm + p["main_ohm"] + p["constant"] * self.speed_rad_s
        # The trapezium rule, which takes no power of its own in the inductance.
        before = self._amperes
        self._amperes = (source_v + (kept_ohm - 0.5 * ohm) * before) / (kept_ohm + 0.5 * ohm)
        middle_a = 0.5 * (before + self._amperes)
        self._turn(p["constant"] * middle_a * middle_a, dt_s)
        return middle_a

    def _turn(self, driving_nm: Real, dt_s: float) -> None:
        part = self.speed_rad_s / UNIVERSAL_AT_RAD_S
        air_nm = self.values["fan_nm"] * part * part
        self.speed_rad_s = _accelerate(self.speed_rad_s, driving_nm, self.values, air_nm, dt_s, self.ops)

    def _rest(self, dt_s: float) -> None:
        self._amperes = 0.0 * self._amperes
        self._turn(0.0 * self._amperes, dt_s)
