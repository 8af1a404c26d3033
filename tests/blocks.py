"""Cutting a stream into blocks, for the tests that no cut may change a result."""

from __future__ import annotations

import itertools

from hypothesis import strategies as st


def cuts(size):
    """Places at which a stream of ``size`` readings is cut, ends included."""
    return st.lists(st.integers(0, size), max_size=8).map(lambda c: [0, *sorted(c), size])


def pieces(cut):
    """(from, to) of each piece."""
    return list(itertools.pairwise(cut))
