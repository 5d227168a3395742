"""Choosing the split: answers measured as moulds, side by side."""
