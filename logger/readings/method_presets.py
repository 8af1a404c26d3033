"""Test methods by name: what a rule asks for, and how sure we are of what it says.

A rating that is a percentage p of the tipping load is tested with 1/p times the rated moment. A
rule of the form a · P + b · F asks for a times the rated load and b times the boom's mass
referred to its tip. Which rule binds depends on the place, the crane and the edition, so a test
names its own; these only spare the arithmetic. Whatever was not read in its source says so to
whoever uses it.
"""

from __future__ import annotations

from dataclasses import dataclass

_FROM_MEMORY = "from memory, check your edition"
LONG_TON_KG = 1016.0469088
"""Exact (NIST SP 811, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """A method of judging stability, by name.

    Attributes:
        name: what a test file calls it.
        rule: what it asks for and where, in words.
        status: how sure the rule is: where it was read, or that it was not.
        moment_factor: k, of the rated moment; None where it depends on the crane.
        load_factor: a, of the rated load; None for other forms.
        boom_share: b, of the boom's mass at its tip.
    """

    name: str
    rule: str
    status: str
    moment_factor: float | None = None
    load_factor: float | None = None
    boom_share: float = 0.0

    @property
    def basis(self) -> str:
        """The rule and how sure it is, in a sentence."""
        return f"{self.rule} ({self.status})"


UNIT_PROOF_LOAD = "unit-proof-load"

PRESETS = {
    p.name: p
    for p in (
        Preset(
            name="85-percent-of-tipping",
            rule="rating at most 85 % of the tipping load, as for cranes on trucks or wheels in "
            "29 CFR 1910.180 and, on outriggers, in ASME B30.5",
            status=_FROM_MEMORY,
            moment_factor=1 / 0.85,
        ),
        Preset(
            name="85-percent-of-tipping-rounded",
            rule="as 85-percent-of-tipping with 1/0.85 rounded up to 1.18, which proves ratings up "
            "to 84.7 % of the tipping load",
            status=_FROM_MEMORY,
            moment_factor=1.18,
        ),
        Preset(
            name="80-percent-of-tipping",
            rule="rating at most 80 % of the tipping load, as for locomotive cranes on outriggers "
            "in 29 CFR 1910.180 and ASME B30.5",
            status=_FROM_MEMORY,
            moment_factor=1 / 0.80,
        ),
        Preset(
            name="75-percent-of-tipping",
            rule="rating at most 75 % of the tipping load, as for wheeled cranes without "
            "outriggers in newer editions of ASME B30.5, and for crawlers",
            status=_FROM_MEMORY,
            moment_factor=1 / 0.75,
        ),
        Preset(
            name="five-quarters-load-and-tenth-of-boom",
            rule="1.25 P + 0.1 F, static, as in ISO 4305 and EN 13000",
            status=_FROM_MEMORY,
            load_factor=1.25,
            boom_share=0.1,
        ),
        Preset(
            name="four-thirds-load-and-tenth-of-boom",
            rule="1.33 P + 0.1 F, load carried while travelling, as in ISO 4305 and EN 13000",
            status=_FROM_MEMORY,
            load_factor=1.33,
            boom_share=0.1,
        ),
        Preset(
            name=UNIT_PROOF_LOAD,
            rule="rated load P + 25 % up to 20 tons, + 5 tons up to 50, + 10 % above: a proof load "
            "of lifting gear, not a stability rule",
            status="read in a copy of 29 CFR 1919.28; ton taken as the long ton, which asks for "
            "the most",
        ),
    )
}


def unit_proof_load_kg(rated_load_kg: float, *, ton_kg: float = LONG_TON_KG) -> float:
    """The proof load for a rated load (29 CFR 1919.28, read in a copy).

    Args:
        rated_load_kg: safe working load, kg.
        ton_kg: what the rule's ton is, kg.
    """
    if rated_load_kg <= 20 * ton_kg:
        return 1.25 * rated_load_kg
    if rated_load_kg <= 50 * ton_kg:
        return rated_load_kg + 5 * ton_kg
    return 1.10 * rated_load_kg
