"""A simulated digitiser: two inputs on line voltage and line current after the contactor, sampled at the bench's steps.

What it samples waits in a memory of two seconds until it is asked for; what nobody asks for in time is lost, and the
number of the next block's first sample tells so. Noise depends on the seed and the sample's number alone.
"""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np
from numpy.typing import NDArray

from instruments.blocks import as_block
from instruments.simulated.meters import Front
from instruments.simulated.scpi_server import ScpiInstrument, number
from instruments.simulated.world import World

FULL_V: Final = 10.0
FULL_CODE: Final = 8_388_607
"""24 bit."""
VOLTS_SCALE: Final = 50.0
"""The probe's volts of the line per volt at the input."""
AMPERES_SCALE: Final = 10.0
"""The current clamp's amperes per volt."""
CHUNK: Final = 32
"""So many samples are put into the memory together."""
MEMORY_S: Final = 2.0
LATE_S: Final = 30e-6
"""The clamp is so far behind the probe: by a fifth of a sample at the bench's steps."""
VOLTS: Final = Front("digitiser-volts", 0.0005, 0.00003, 0.000003)
AMPERES: Final = Front("digitiser-amperes", 0.0005, 0.00003, 0.000003)


class _Input:
    """A specimen of an input, drawn by a seed: volts or amperes of the line in, codes out."""

    def __init__(self, front: Front, scale: float, seed: int, place: int) -> None:
        self._key = (seed, 7700 + place)
        drawn = np.random.default_rng([*self._key, 0]).uniform(-1.0, 1.0, 2)
        self._per_unit = FULL_CODE / (FULL_V * scale) * (1.0 + front.gain * float(drawn[0]))
        self._offset = front.offset * FULL_CODE * float(drawn[1])
        self._noise = front.noise * FULL_CODE

    def codes(self, true: NDArray[np.float64], chunk: int) -> NDArray[np.float64]:
        """Codes of a chunk of samples; they end at full range."""
        noise = np.random.default_rng([*self._key, 1 + chunk]).standard_normal(len(true)) * self._noise
        return np.clip(np.rint(true * self._per_unit + self._offset + noise), -FULL_CODE, FULL_CODE)


class Sampler:
    """What is sampled, and what of it nobody has asked for yet. Its owner holds the bench's lock."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._inputs = (_Input(VOLTS, VOLTS_SCALE, seed, 1), _Input(AMPERES, AMPERES_SCALE, seed, 2))
        self._waiting: deque[NDArray[np.int32]] = deque()
        self._begin(running=False)
        world.sampled = self.sample

    def _begin(self, *, running: bool) -> None:
        self.running = running
        self._volts: list[float] = []
        self._amperes: list[float] = []
        self._waiting.clear()
        self._first = self._chunks = 0
        self.told_first = 0
        """The number of the first sample of the block that was told last."""
        self._late_a = 0.0

    def start(self) -> None:
        """From sample 0 on."""
        self._begin(running=True)

    def stop(self) -> None:
        """What waits is gone."""
        self._begin(running=False)

    @property
    def rate_hz(self) -> float:
        """Samples a second: one at each step of the bench."""
        return 1.0 / self._world.dt_s

    def sample(self, volts: float, amperes: float) -> None:
        """One step of the bench."""
        if not self.running:
            return
        late = LATE_S / self._world.dt_s
        amperes = -amperes if self._world.miswired == "current-reversed" else amperes
        # What the clamp gives now is of a little earlier.
        self._volts.append(volts)
        self._amperes.append(amperes + late * (self._late_a - amperes))
        self._late_a = amperes
        if len(self._volts) == CHUNK:
            rows = [i.codes(np.array(x), self._chunks) for i, x in zip(self._inputs, self._both(), strict=True)]
            self._waiting.append(np.column_stack(rows).astype("<i4"))
            self._chunks += 1
            self._volts, self._amperes = [], []
            if len(self._waiting) > MEMORY_S * self.rate_hz / CHUNK:
                self._waiting.popleft()
                self._first += CHUNK

    def _both(self) -> tuple[list[float], list[float]]:
        return self._volts, self._amperes

    def take(self) -> bytes:
        """All that waits, as a block."""
        self.told_first = self._first
        rows = [self._waiting.popleft() for _ in range(len(self._waiting))]
        self._first += CHUNK * len(rows)
        return as_block(b"".join(row.tobytes() for row in rows))

    def lose(self, samples: int) -> None:
        """Lose what waits, and so many whole chunks at least: somebody else asked for it, or its line was too slow."""
        chunks = min(len(self._waiting), -(-samples // CHUNK))
        for _ in range(chunks):
            self._waiting.popleft()
        self._first += CHUNK * chunks


def digitiser(world: World, seed: int) -> ScpiInstrument:
    """A digitiser. Its rate is the bench's own: 128 samples a cycle at nominal mains."""
    scpi = ScpiInstrument("SIMULATED,DIGITISER,0,1", world.lock)
    sampler = Sampler(world, seed)
    rates = [0.0]

    def block(_: str) -> str:
        return sampler.take().decode("latin-1")

    scpi.add("ACQuire:RATE", lambda text: rates.__setitem__(0, number(text, 1000.0, 1e6)))
    scpi.add("ACQuire:RATE?", lambda _: f"{sampler.rate_hz if rates[0] else 0.0:.6f}")
    scpi.add("ACQuire:STARt", lambda _: sampler.start())
    scpi.add("ACQuire:STOP", lambda _: sampler.stop())
    scpi.add("ACQuire:DATA?", block)
    scpi.add("ACQuire:POSition?", lambda _: str(sampler.told_first))
    scpi.add("DIAGnostic:LOSE", lambda text: sampler.lose(int(number(text, 0, 1e6))))
    return scpi
