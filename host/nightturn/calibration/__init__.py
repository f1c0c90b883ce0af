"""Counts to torque and angle: calibration records, scales and the bridge equations behind a shunt check."""
