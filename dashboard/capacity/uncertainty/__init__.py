"""Budgets by the GUM, intervals, and what is decided from them: pure."""
