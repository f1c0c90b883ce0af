"""Device ticks to host time: probes, a two-state filter and a line of knots that never steps back."""
