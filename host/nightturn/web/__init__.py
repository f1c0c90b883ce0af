"""The page: a wall of all fixtures and one page for each run, from a data root alone or with a daemon's live rows."""
