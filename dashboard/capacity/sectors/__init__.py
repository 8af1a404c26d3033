"""From moments to percentages, bounds, the derated chart and the verdict: pure."""
