"""How long what was recorded stays: the table `[retention]` of `bench.toml`."""

from typing import Annotated, Literal

from msgspec import Meta

from nightturn.settings.part import Part

# Not less than a weekend and a day: a clock that jumps by less than three days unseen must not age what is of tonight.
Days = Annotated[float, Meta(ge=4, le=36_500)] | Literal["ever"]
Gigabytes = Annotated[float, Meta(gt=0, le=1_000_000)] | Literal["ever"]


class Keep(Part, frozen=True, kw_only=True):
    """How long files of one kind stay (days), and how much they may take together (10^9 bytes); `"ever"`: no bound."""

    days: Days = "ever"
    gb: Gigabytes = "ever"


class KeepTape(Part, frozen=True, kw_only=True):
    """The same of tape, which is replaced by a week of more of it."""

    days: Days = 7.0
    gb: Gigabytes = 40.0


class Retention(Part, frozen=True, kw_only=True):
    """What is cleared of runs that are over: their tape, raw samples, figures (with events, gaps and summaries)."""

    tape: KeepTape = KeepTape()
    raw: Keep = Keep()
    figures: Keep = Keep()

    def of(self, kind: Literal["tape", "raw", "figures"]) -> Keep | KeepTape:
        """The bounds of one kind."""
        match kind:
            case "tape":
                return self.tape
            case "raw":
                return self.raw
            case "figures":
                return self.figures
