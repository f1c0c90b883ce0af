"""A figure in the making."""

from dataclasses import dataclass

from nightturn.model.figures import INCOMPLETE, OK, REFUSED, Figure
from nightturn.model.verdicts import NOT_JUDGED


@dataclass
class Draft:
    """A figure in the making: the gravest status wins, sentences add up."""

    value: float | None = None
    u: float | None = None
    nu: float | None = None
    n: int = 0
    status: str = OK
    reasons: tuple[str, ...] = ()

    def note(self, reason: str, status: str = OK) -> None:
        """Add a sentence and, if it is graver than what stands, a status."""
        if reason not in self.reasons:
            self.reasons = (*self.reasons, reason)
        order = (OK, NOT_JUDGED, INCOMPLETE, REFUSED)
        if order.index(status) > order.index(self.status):
            self.status = status

    def figure(self, name: str, method: int, scale: float = 1.0) -> Figure:
        """The figure under this name, times a factor; `method` is the version of what made it."""
        return Figure(
            name=name,
            value=None if self.value is None else self.value * scale,
            u=None if self.u is None or self.value is None else self.u * scale,
            nu=None if self.u is None or self.value is None else self.nu,
            status=self.status,
            n=self.n,
            method=method,
            reasons=self.reasons,
        )
