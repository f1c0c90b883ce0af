"""From frames to tiles: the session with a device, its data lane in order, blocks as arrays."""
