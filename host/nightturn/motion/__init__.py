"""Turning the shaft: the moves of a cycle and the plan that commands them, one at a time."""
