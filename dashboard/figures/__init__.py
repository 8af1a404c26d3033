"""A result in, a figure out."""
