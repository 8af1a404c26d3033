"""The catalogue of a fleet: what the results of many runs say, a row a run and a row a sector."""
