"""The truck fitted to measured lifts, and what follows: capacity, forecasts, remedies: pure."""
