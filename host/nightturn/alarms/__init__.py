"""What a person has to act on: conditions, the life of an alarm, what explains what, floods; rows and words in, alarms out."""
