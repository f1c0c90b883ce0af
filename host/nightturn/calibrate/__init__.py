"""`calibrate`: a torque channel's record from readings at known torques, or from an outside certificate."""
