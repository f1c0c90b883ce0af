"""The nightturn wire: framing and messages, with the standard library, cobs and crc32c only."""
