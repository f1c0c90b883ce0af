"""The version, without the cost of reading package metadata."""

VERSION = "0.1.0"
