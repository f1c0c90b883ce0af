"""Tables of numbers that other programs saved as text: their dialect, their columns, their units; text in, columns out."""
