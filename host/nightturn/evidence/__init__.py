"""From what moved and what did not to causes: a table of rules, what speaks for each, what competes."""
