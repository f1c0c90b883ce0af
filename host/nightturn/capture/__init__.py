"""`capture`: figures from a file that somebody's scope or script saved, as far as it allows."""
