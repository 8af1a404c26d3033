"""Channels, units, calibration, blocks of samples, clock alignment: pure."""
