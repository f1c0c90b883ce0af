"""The morning report: one file that says whether a unit passes, what happened, what to do, and shows it."""
