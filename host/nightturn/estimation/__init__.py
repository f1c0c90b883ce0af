"""From samples to figures: an integer scan and fold while they come, one `finish` at the end of a cycle."""
