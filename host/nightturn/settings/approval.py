"""Approval of a variant: the digest of what somebody approved, and the line of its file that says so. Pure."""

import hashlib
import json
import re
from typing import Any

import msgspec

from nightturn.settings.variant import Variant

_LINE = re.compile(r"^approved\s*=.*$\n?", re.MULTILINE)
_TABLE = re.compile(r"^\s*\[", re.MULTILINE)


def digest_of(variant: Variant) -> str:
    """SHA-256 of all that the variant says but its approval; a key with its default counts like none, so that new keys change nothing."""
    said = msgspec.json.encode(_given(msgspec.structs.replace(variant, approved=None)), order="sorted")
    return hashlib.sha256(said).hexdigest()


def approval_lacks(variant: Variant) -> str:
    """Why the variant does not count as approved, as a sentence; empty where it does."""
    do = "`nightturn mount --approve` by who may"
    if variant.approved is None:
        return f"variant {variant.name} is not approved: {do}"
    if variant.approved.sha256 != digest_of(variant):
        return f"variant {variant.name} was changed since {variant.approved.by} approved it on {variant.approved.on}: {do}"
    return ""


def approved_text(text: str, variant: Variant, *, by: str, on: str) -> str:
    """The text of the variant's file with its approval as one line in front of the first table; everything else stays."""
    line = f'approved = {{ by = {json.dumps(by, ensure_ascii=False)}, on = "{on}", sha256 = "{digest_of(variant)}" }}\n'
    first = _TABLE.search(text)
    end = len(text) if first is None else first.start()
    head, tables = _LINE.sub("", text[:end]), text[end:]
    bare = head.rstrip("\n")
    return f"{bare}\n{line}" + (f"\n{tables.lstrip(chr(10))}" if tables else "")


def _given(part: msgspec.Struct) -> dict[str, Any]:
    """The keys of a struct that differ from their defaults, with whatever lies below them."""
    found: dict[str, Any] = {}
    for field in msgspec.structs.fields(part):
        value = getattr(part, field.name)
        if value == field.default or (
            field.default_factory is not msgspec.NODEFAULT and value == field.default_factory()
        ):
            continue
        found[field.name] = _plain(value)
    return found


def _plain(value: object) -> object:
    if isinstance(value, msgspec.Struct):
        return _given(value)
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    return value
