"""What changes over nights: slopes, changes, time to a limit; arrays in, values out."""
