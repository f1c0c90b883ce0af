"""The person at this terminal, as a task meets them."""

import sys

from nightturn.cli.output import HANG, print_pairs, print_text
from nightturn.errors import NightturnError

GONE = "the terminal answers no more"


class AtTerminal:
    """Questions on standard input, sentences on standard output; with `quiet` sentences and no questions, on standard error."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet

    @property
    def answers(self) -> bool:
        """Whether somebody is there to be asked."""
        return not self._quiet and sys.stdin.isatty()

    def say(self, text: str) -> None:
        """Show a sentence."""
        if self._quiet:
            sys.stderr.write(f"{text}\n")
        else:
            print_text(text, hang=HANG)

    def show(self, title: str, rows: tuple[tuple[str, str], ...]) -> None:
        """Show names and sentences."""
        print_pairs(title, rows)

    def answer(self, question: str) -> str:
        """The person's answer.

        Raises:
            NightturnError: the terminal is gone.
        """
        try:
            return input(f"{question}: ").strip()
        except EOFError as error:
            raise NightturnError(GONE) from error
