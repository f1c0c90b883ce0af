"""What people far away see: rows become MQTT messages, and a broken network never holds up a fixture."""
