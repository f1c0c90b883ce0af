"""Ports: bytes from and to devices, stamped as they are read."""
