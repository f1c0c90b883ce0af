"""A whole night of invented fixtures in about a minute."""
