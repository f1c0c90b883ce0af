"""A run with its pictures, as a notebook shows them."""

from pathlib import Path

from typing_extensions import override

from nightturn.errors import StorageError
from nightturn.pictures.picture import Picture
from nightturn.report.drawn import drawn
from nightturn.report.night import ReportNight, night_of
from nightturn.report.written import write_whole
from nightturn.storage import reader, runs
from nightturn.storage.stored import Place


class Drawing:
    """One picture: a notebook shows it by itself, and `save` writes it as SVG."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture

    @override
    def __repr__(self) -> str:
        return f"{self.picture.title}: {self.picture.description}"

    def _repr_svg_(self) -> str:
        """What a notebook asks for."""
        return self.picture.svg

    def save(self, path: str | Path) -> Path:
        """Write it as an SVG file.

        Raises:
            StorageError: it cannot be written.
        """
        write_whole(Path(path), f'<?xml version="1.0" encoding="UTF-8"?>\n{self.picture.svg}\n'.encode())
        return Path(path)


class Pictures:
    """The pictures of a run, each drawn when it is asked for; the run is read once."""

    def __init__(self, run: reader.Run) -> None:
        self._run = run
        self._drawn: dict[str, Picture] | None = None
        self._missing: dict[str, str] = {}

    def turn(self) -> Drawing:
        """One turn in both senses, of the newest cycle that has both.

        Raises:
            StorageError: it cannot be drawn; says why.
        """
        return self._one("turn")

    def night(self) -> Drawing:
        """Every figure over the night, with limits, gaps and temperatures; errors as `turn`."""
        return self._one("night")

    def orders(self) -> Drawing:
        """The orders of the hold over what noise alone could make; errors as `turn`."""
        return self._one("orders")

    def map(self) -> Drawing:
        """Where on the turn friction has changed since the first hour; errors as `turn`."""
        return self._one("map")

    def _one(self, name: str) -> Drawing:
        if self._drawn is None:
            found = drawn(_night(self._run))
            self._drawn = {picture.name: picture for picture in found.pictures}
            self._missing = dict(found.missing)
        if name not in self._drawn:
            why = self._missing.get(name) or self._missing.get("turn") or "the run has no order of the hold"
            raise StorageError(f"run {self._run.run} has no picture {name!r}. {why}")
        return Drawing(self._drawn[name])


class Run(reader.Run):
    """One run of one fixture, with its pictures."""

    @property
    def picture(self) -> Pictures:
        """`run.picture.turn()`, `.night()`, `.orders()`, `.map()`: shown in a notebook, saved as SVG."""
        return Pictures(self)


def open_run(root: Place, fixture: str | None = None, run: str = "latest", *, endpoint: str = "") -> Run:
    """A run below a data root or in an object store; the fixture may be left out when there is only one.

    Args:
        root: a folder, or `s3://BUCKET/PREFIX` of `nightturn push`.
        fixture: its id.
        run: its id, or the newest; in an object store the newest that is whole.
        endpoint: of an S3 server, `http://HOST:PORT` or `https://HOST`.

    Raises:
        RunNotFoundError: no such root, fixture or run; says what exists.
        StorageError: an id that is no name but a path.
        ObjectStoreError: the store cannot be reached or refuses, or has not the whole run (NotWholeError).
    """
    found = runs.open_run(root, fixture, run, endpoint=endpoint)
    return Run(found.stored, found.fixture, found.run)


def _night(run: reader.Run) -> ReportNight:
    known = runs.found_runs(run.stored, run.run)
    return night_of(run, next(each for each in known if each.fixture == run.fixture))
