"""Every drawing, once, for report, page and notebook: arrays in, one SVG text out."""
