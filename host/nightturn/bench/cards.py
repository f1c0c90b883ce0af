"""The mount card in force, also when its file is damaged: the file is set aside, and a run that goes on keeps its own card."""

from pathlib import Path

import structlog

from nightturn.errors import CorruptFileError, StorageError
from nightturn.model.cards import MountCard
from nightturn.settings.load import CARDS_LOCK, append_card, card_path, read_card
from nightturn.storage.aside import set_aside
from nightturn.storage.files import RealFiles

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def card_in_force(root: Path, fixture: str, own: MountCard | None) -> MountCard | None:
    """The fixture's card, or None when nothing is mounted.

    A file without a whole line, or whose last one is no card, is set aside and told. The `own` card of a run that goes on
    is then written anew, so that the next start finds it too.

    Raises:
        StorageError: the file can be neither read nor set aside, or the card not written anew.
    """
    try:
        return read_card(root, fixture)
    except CorruptFileError:
        pass
    with CARDS_LOCK:  # whoever was writing has finished
        try:
            return read_card(root, fixture)
        except CorruptFileError as error:
            _set_aside(root, fixture, str(error))
        if own is not None:
            append_card(root, fixture, own)
        return own


def _set_aside(root: Path, fixture: str, why: str) -> None:
    name = card_path(root, fixture).relative_to(root).as_posix()
    try:
        kept = set_aside(RealFiles(root), name)
    except OSError as error:
        raise StorageError(f"{why}; it cannot be set aside: {error}") from error
    log.error("card_set_aside", fixture=fixture, path=name, kept=kept, why=why)
