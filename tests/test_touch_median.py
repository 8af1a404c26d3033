"""The quick median of a touch's calm seconds against numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.events.touch import median

LOADS_KG = st.floats(-1e6, 1e6) | st.just(float("nan"))


@given(st.lists(LOADS_KG, min_size=1, max_size=60))
@pytest.mark.filterwarnings("ignore:invalid value")
def test_the_quick_median_is_numpys(loads_kg):
    """The median is numpy's to the bit, of any values and with some that are no numbers."""
    values = np.array(loads_kg)

    assert np.array_equal(median(values), float(np.median(values)), equal_nan=True)
