"""Signals whose truth is known, made without the product, and how its figures hold against them."""
