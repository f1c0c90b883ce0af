"""Arrow imports pandas to see whether a value is a frame of its kind: 40 MB, and half a second in the middle of a night."""

import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType

from typing_extensions import override

PANDAS = "pandas"


class WithoutPandas(MetaPathFinder):
    """Says of pandas what is said where it is not installed, which is all that Arrow wants to know."""

    @override
    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Of pandas alone.

        Raises:
            ModuleNotFoundError: it is pandas.
        """
        if fullname == PANDAS:
            raise ModuleNotFoundError(f"{PANDAS} is for who reads what was recorded, not for who records")
        return None


def do_without_pandas() -> None:
    """From here on nobody in this process imports it: for processes that record or seal."""
    sys.meta_path.insert(0, WithoutPandas())
