"""From what a run shows to what it proves: loads, radii, moments, sweeps, lift angles: pure."""
