"""Repeat tests: whether they agree, whether the method repeats, whether a build drifted."""
