"""The virtual fixture: a plant in closed form behind a device that speaks the wire; shares no code with what it tests."""
