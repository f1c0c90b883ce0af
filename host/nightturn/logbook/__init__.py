"""The logbook as values: its lines, what a tear-down found of what was predicted, and how people read both."""
