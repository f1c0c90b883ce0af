"""What `live_load.py` starts beside itself and reads when it is over."""
