"""The runs of a folder: which there are, what is kept of them, what is computed of them."""
