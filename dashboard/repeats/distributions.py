"""Quantiles and tail probabilities of the distributions that the intervals here rest on.

All are scipy's; this module only names them by what they are used for and imports scipy when one
is asked for, since a command line should start without it.
"""

from __future__ import annotations

import math


def t_quantile(dof: float, probability: float) -> float:
    """Of Student's t; for infinite degrees of freedom the normal one."""
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - the command line starts without it

    return float(ndtri(probability) if math.isinf(dof) else stdtrit(dof, probability))


def t_above(dof: float, t: float) -> float:
    """The probability of Student's t beyond a value; for infinite degrees of freedom the normal."""
    from scipy.special import ndtr, stdtr  # noqa: PLC0415 - the command line starts without it

    return float(ndtr(-t) if math.isinf(dof) else stdtr(dof, -t))


def noncentral_t_quantile(dof: float, noncentrality: float, probability: float) -> float:
    """Of noncentral t."""
    from scipy.special import nctdtrit  # noqa: PLC0415 - the command line starts without it

    return float(nctdtrit(dof, noncentrality, probability))


def chi_square_quantile(dof: float, probability: float) -> float:
    """Of chi-square."""
    from scipy.special import chdtri  # noqa: PLC0415 - the command line starts without it

    return float(chdtri(dof, 1 - probability))


def chi_square_above(dof: float, value: float) -> float:
    """The probability of chi-square beyond a value."""
    from scipy.special import chdtrc  # noqa: PLC0415 - the command line starts without it

    return float(chdtrc(dof, value))


def f_quantile(dof_above: float, dof_below: float, probability: float) -> float:
    """Of F, with the degrees of freedom of the numerator and the denominator."""
    from scipy.special import fdtri  # noqa: PLC0415 - the command line starts without it

    return float(fdtri(dof_above, dof_below, probability))


def f_above(dof_above: float, dof_below: float, value: float) -> float:
    """The probability of F beyond a value."""
    from scipy.special import fdtrc  # noqa: PLC0415 - the command line starts without it

    return float(fdtrc(dof_above, dof_below, value))
