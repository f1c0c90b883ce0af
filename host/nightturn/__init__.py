"""nightturn: overnight smoothness qualification of direct-drive rotary actuators."""
