"""What tests ask of a firmware image: its bytes, its symbols, its sections. 32-bit little-endian ELF, as in its specification."""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

_HEADER = struct.Struct("<16sHHIIIIIHHHHHH")
_SEGMENT = struct.Struct("<IIIIIIII")
_SECTION = struct.Struct("<IIIIIIIIII")
_SYMBOL = struct.Struct("<IIIBBH")
_LOAD = 1
_SYMBOL_TABLE = 2
_FUNCTION = 2
_ALLOCATED = 2


class Section(NamedTuple):
    """A section that takes memory of the target."""

    address: int
    size: int
    file_offset: int


class Symbol(NamedTuple):
    """Where something is; `address` without the bit that says Thumb."""

    address: int
    size: int
    is_function: bool


@dataclass(frozen=True, slots=True)
class Image:
    """A linked image.

    Attributes:
        flash: what is loaded, from address 0 on; holes are zeros.
    """

    flash: bytes
    sections: dict[str, Section]
    symbols: dict[str, Symbol]

    def address(self, name: str) -> int:
        """Where a symbol is."""
        return self.symbols[name].address

    def crc_range(self) -> bytes:
        """The part of flash that the image takes a CRC of."""
        return self.flash[self.address("nt_flash_start") : self.address("nt_flash_end")]

    def bytes_of(self, name: str) -> bytes:
        """What an object in flash holds."""
        found = self.symbols[name]
        return self.flash[found.address : found.address + found.size]

    def function_at(self, address: int) -> str:
        """The function that an address is in, empty when it is in none."""
        for name, symbol in self.symbols.items():
            if symbol.is_function and symbol.address <= address < symbol.address + symbol.size:
                return name
        return ""


def _text(table: bytes, at: int) -> str:
    return table[at : table.index(b"\0", at)].decode()


def read_image(path: Path) -> Image:
    """Read a linked image.

    Raises:
        AssertionError: it is no ELF file for a 32-bit target.
    """
    content = path.read_bytes()
    head = _HEADER.unpack_from(content)
    assert head[0][:6] == b"\x7fELF\x01\x01", f"{path} is no 32-bit little-endian ELF file"
    segments_at, sections_at, segments, sections, names_no = head[5], head[6], head[10], head[12], head[13]
    flash = bytearray()
    for number in range(segments):
        kind, offset, _, load_address, size, *_ = _SEGMENT.unpack_from(
            content, segments_at + number * head[9]
        )
        if kind == _LOAD and size:
            flash.extend(bytes(max(0, load_address + size - len(flash))))
            flash[load_address : load_address + size] = content[offset : offset + size]
    table = [_SECTION.unpack_from(content, sections_at + number * head[11]) for number in range(sections)]
    names = content[table[names_no][4] :]
    found = {_text(names, row[0]): Section(row[3], row[5], row[4]) for row in table if row[2] & _ALLOCATED}
    symbols: dict[str, Symbol] = {}
    for row in table:
        if row[1] == _SYMBOL_TABLE:
            texts = content[table[row[6]][4] :]
            for at in range(row[4], row[4] + row[5], _SYMBOL.size):
                name_at, value, size, info, _, _ = _SYMBOL.unpack_from(content, at)
                is_function = info & 0xF == _FUNCTION
                if name_at:
                    address = value & ~1 if is_function else value
                    symbols[_text(texts, name_at)] = Symbol(address, size, is_function)
    return Image(bytes(flash), found, symbols)
