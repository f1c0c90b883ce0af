"""Texts for people, made from facts in one place; pure."""
