"""The shunt check: what it does, second by second, and what its steps say."""
