"""Recorded tapes through the same core again, and what differs."""
