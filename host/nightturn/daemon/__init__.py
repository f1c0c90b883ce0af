"""What runs for a night: the stations of a bench, and a virtual fixture served to others."""
