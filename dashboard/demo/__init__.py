"""A simulated truck that talks through a real serial line and a real broker."""
