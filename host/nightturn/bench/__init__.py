"""The composition root: settings and a world become stations."""
