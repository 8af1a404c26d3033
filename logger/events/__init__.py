"""Wheel lift, load phases, radius changes, sweeps: block by block, state carried; pure."""
