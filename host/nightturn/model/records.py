"""The tape's records and the core's effects: whatever can change a decision, and what is decided.

One fixture is a function of its tape: `fixture.core.Fixture.handle` is called with every record in order and returns
effects. No queue, task or timer stands between a record and its effects.
"""

import msgspec


class Frame(msgspec.Struct, frozen=True, tag="frame", gc=False):
    """A device frame: decoded, CRC seen and stripped; `at_ns` is the stamp of the read that completed it."""

    at_ns: int
    body: bytes


class Bad(msgspec.Struct, frozen=True, tag="bad", gc=False):
    """Bytes that were no frame: how many failed since the record before, and the first 64 bytes of the last."""

    at_ns: int
    count: int
    head: bytes


class Tick(msgspec.Struct, frozen=True, tag="tick", gc=False):
    """The control tick: the only clock a core ever sees. `effects_crc` proves the effects up to here."""

    at_ns: int
    utc_ns: int
    effects_crc: int = 0


class Host(msgspec.Struct, frozen=True, tag="host", gc=False):
    """A fact the host adds (see `model.facts`): settings, link opened or lost, probe sent, synced, command."""

    at_ns: int
    kind: str
    body: bytes


Record = Frame | Bad | Tick | Host


class Send(msgspec.Struct, frozen=True, tag="send", gc=False):
    """A frame for the device, before CRC, COBS and delimiter."""

    body: bytes


class Emit(msgspec.Struct, frozen=True, tag="emit", gc=False):
    """A row for a dataset (see `model.rows`): storage and telemetry read it."""

    dataset: str
    row: msgspec.Struct


Effect = Send | Emit
