"""Writes the Python module, the C header and the tables of PROTOCOL.md from the wire definition."""
