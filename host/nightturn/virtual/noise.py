"""What the bridge adds to the torque: white and 1/f noise, hum, and the stretches of an intermittent cable.

Noise comes in pages of the sample index. A page is drawn from one long buffer at places and signs that depend on seed
and page only; the octaves of 1/f noise longer than a page are held values. So any sample can be made alone.
"""

import math

import numpy as np
import numpy.typing as npt

from nightturn.virtual.chance import mix, normal, poisson, uniform
from nightturn.virtual.products import VOLTS_PER_COUNT, Bridge

Floats = npt.NDArray[np.float64]
PAGE_BITS = 12
PAGE = 1 << PAGE_BITS
BUFFER = 1 << 16
OCTAVES = 25  # the longest holds 2**24 samples: half an hour at 10 kS/s
PAGES_KEPT = 2
CABLE_PER_S = 0.02
CABLE_SAMPLES = (3, 400)


class Noise:
    """Noise in ADC counts for pages of samples; `rate_hz` may be set anew between pages of different rate."""

    def __init__(self, bridge: Bridge, seed: int, rng: np.random.Generator) -> None:
        self.seed = seed
        self.rate_hz = 0
        self._flicker = bridge.flicker_v / VOLTS_PER_COUNT
        self._hum = bridge.hum_v / VOLTS_PER_COUNT
        self._hum_hz = bridge.hum_hz
        self._silent = not (bridge.white_v or bridge.flicker_v or bridge.hum_v)
        length = BUFFER + PAGE
        buffer = bridge.white_v / VOLTS_PER_COUNT * rng.standard_normal(length)
        for octave in range(PAGE_BITS):
            held = rng.standard_normal(-(-length >> octave))
            buffer += self._flicker * np.repeat(held, 1 << octave)[:length]
        self._buffer = (buffer * math.sqrt(0.5)).astype(np.float32)
        self._cosine = self._sine = np.zeros(PAGE)
        self._pages: dict[int, Floats] = {}

    def set_rate(self, rate_hz: int) -> None:
        """The sampling rate from here on."""
        if rate_hz != self.rate_hz:
            self.rate_hz = rate_hz
            turn = math.tau * self._hum_hz / rate_hz * np.arange(PAGE)
            self._cosine, self._sine = np.cos(turn), np.sin(turn)
            self._pages.clear()

    def page(self, number: int) -> Floats:
        """All samples of a page, counts, shape (PAGE,)."""
        kept = self._pages.get(number)
        if kept is None:
            kept = np.zeros(PAGE) if self._silent else self._make(number)
            if len(self._pages) >= PAGES_KEPT:
                del self._pages[min(self._pages)]
            self._pages[number] = kept
        return kept

    def _make(self, number: int) -> Floats:
        word = mix(self.seed, number, 0)
        first, second = word & (BUFFER - 1), (word >> 16) & (BUFFER - 1)
        page = np.asarray(self._buffer[first : first + PAGE], np.float64)
        if word >> 63:
            page = -page
        other = self._buffer[second : second + PAGE]
        page = page + other if (word >> 62) & 1 else page - other
        angle = math.tau * (number * PAGE * self._hum_hz / self.rate_hz % 1.0)
        page += self._hum * math.sin(angle) * self._cosine
        page += self._hum * math.cos(angle) * self._sine + self._low(number)
        return page

    def _low(self, number: int) -> float:
        """The octaves that hold longer than a page."""
        octaves = range(PAGE_BITS, OCTAVES)
        held = (normal(mix(self.seed, octave, number >> (octave - PAGE_BITS))) for octave in octaves)
        return self._flicker * math.fsum(held)


class Cable:
    """An intermittent bridge cable: stretches of samples at the positive rail, Poisson in time."""

    def __init__(self, seed: int, size: float = 1.0) -> None:
        self._seed = seed
        self._size = size

    def stretches(self, page: int, rate_hz: int) -> list[tuple[int, int]]:
        """The (first, stop) indices of the stretches that begin in a page."""
        least, most = CABLE_SAMPLES
        count = poisson(mix(self._seed, page, 77), CABLE_PER_S * self._size * PAGE / rate_hz)
        found = []
        for number in range(count):
            word = mix(self._seed, page, 78, number)
            length = round(least * (most / least) ** uniform(mix(word, 2)))
            first = page * PAGE + word % PAGE
            found.append((first, first + length))
        return found
