"""A stretch of a run for other programs, and a run for a customer."""
