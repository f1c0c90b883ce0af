"""What one shift leaves for the next: lines of the logbook, and what is open."""
