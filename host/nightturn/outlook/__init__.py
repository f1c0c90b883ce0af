"""What a plan will do and be able to see, from the settings alone, before anything turns."""
