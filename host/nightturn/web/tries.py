"""How often somebody may try to sign in: some times freely, then after a wait that doubles, by name and by address."""

from collections import OrderedDict
from dataclasses import dataclass

FREE = 5
FIRST_WAIT_S = 2.0
WAIT_S_MAX = 900.0
FORGOTTEN_S = 3600.0
KEPT_MAX = 10_000
"""Names and addresses that are remembered; the one unheard of longest goes first."""


@dataclass(slots=True)
class _Failed:
    count: int
    at_s: float


class Tries:
    """Counts failures; a success forgets those of its name and address. Times come with each question."""

    def __init__(self) -> None:
        self._failed: OrderedDict[str, _Failed] = OrderedDict()

    def wait_s(self, keys: tuple[str, ...], now_s: float) -> float:
        """How long nobody may try under these keys; 0 for not at all."""
        return max((self._wait_s(key, now_s) for key in keys), default=0.0)

    def failed(self, keys: tuple[str, ...], now_s: float) -> None:
        """A try has failed under these keys."""
        for key in keys:
            known = self._failed.pop(key, None)
            if known is None or now_s - known.at_s > FORGOTTEN_S:
                known = _Failed(0, now_s)
            self._failed[key] = _Failed(known.count + 1, now_s)
            while len(self._failed) > KEPT_MAX:
                self._failed.popitem(last=False)

    def succeeded(self, keys: tuple[str, ...]) -> None:
        """A try has succeeded."""
        for key in keys:
            self._failed.pop(key, None)

    def _wait_s(self, key: str, now_s: float) -> float:
        known = self._failed.get(key)
        if known is None or known.count < FREE or now_s - known.at_s > FORGOTTEN_S:
            return 0.0
        wait_s = min(FIRST_WAIT_S * 2.0 ** min(known.count - FREE, 20), WAIT_S_MAX)
        return max(known.at_s + wait_s - now_s, 0.0)
