"""The values that rooms of the house hand to each other."""
