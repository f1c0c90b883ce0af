"""What every table of a settings file is."""

import msgspec


class Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of every table: unknown keys are errors."""
