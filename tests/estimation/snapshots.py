"""Encode and restore an estimator as the composition root does: msgpack with one pair of hooks for arrays."""

from typing import Any

import msgspec
import numpy as np

from nightturn.estimation.cycles import Estimator


def to_plain(value: Any) -> Any:
    """An array as (type, shape, bytes)."""
    if isinstance(value, np.ndarray):
        return [value.dtype.str, list(value.shape), value.tobytes()]
    raise TypeError(type(value))


def from_plain(_kind: Any, value: Any) -> Any:
    """The array again, read-only like whatever comes out of a buffer."""
    code, shape, content = value
    return np.frombuffer(content, code).reshape(shape)


def through_snapshot(estimator: Estimator) -> Estimator:
    """The same estimator on another machine."""
    state = msgspec.msgpack.encode(estimator, enc_hook=to_plain)
    return msgspec.msgpack.decode(state, type=Estimator, dec_hook=from_plain)
