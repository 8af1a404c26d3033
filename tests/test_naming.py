"""From a pack's names to the rig's channels, held to a slow readable twin."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.live.naming import REMEMBERED_NAMES, REMEMBERED_PLANS, PackNaming
from logger.readings.pack import ClockPair, Pack
from logger.readings.rig_file import read_rig
from tests.rig_of_a_bay import RIG

# A second channel that reads the same name, as a limit switch and a wheel may share a cable.
SHARED = RIG + '[[channel]]\nid = "radius"\nsource = "mast"\nname = "cell"\nunit = "m"\n'
NAMES = ("enc", "cell", "rl", "rr", "fl", "unknown")


def naming():
    """The naming of the bay's one source."""
    return PackNaming(read_rig(SHARED), "mast", utc_start_ns=0)


def made_pack(readings):
    """A pack of (name, time, value), where a value may be a text."""
    return Pack(
        names=tuple(name for name, _, _ in readings),
        t_ns=np.array([t for _, t, _ in readings], dtype=np.int64),
        absolute=False,
        value=np.array([np.nan if isinstance(v, str) else v for _, _, v in readings]),
        texts={i: v for i, (_, _, v) in enumerate(readings) if isinstance(v, str)},
    )


def raw_number(channel, value):
    """The number that is kept of a value, or None."""
    if not isinstance(value, str):
        return value
    if isinstance(channel.closed_when, str):
        return float(value == channel.closed_when)
    return float(value) if value == "12" else None


def one_by_one(readings):
    """The slow twin: channel id to its (time, value), sorted by time."""
    found = {}
    for channel in read_rig(SHARED).channel:
        kept = [
            (t, number)
            for name, t, value in readings
            if name == channel.name and (number := raw_number(channel, value)) is not None
        ]
        if kept:
            found[channel.id] = sorted(kept, key=lambda reading: reading[0])
    return found


def by_channel(names, readings):
    """What the naming gives, in the twin's form."""
    pack = made_pack(readings)
    return {
        channel.id: list(zip(t_ns.tolist(), value.tolist(), strict=True))
        for channel, t_ns, value in names.by_channel(pack, pack.t_ns)
    }


READING = st.tuples(
    st.sampled_from(NAMES),
    st.integers(-20, 0),
    st.one_of(st.integers(0, 9).map(float), st.sampled_from(["ON", "OFF", "12"])),
)


@given(st.lists(st.lists(READING, max_size=12), min_size=1, max_size=4))
def test_packs_are_sorted_as_reading_by_reading(packs):
    """Whatever order, names and texts packs have, each channel gets its readings in time."""
    names = naming()

    for readings in packs:
        assert by_channel(names, readings) == one_by_one(readings)
        assert by_channel(names, readings) == one_by_one(readings)  # from memory this time


@given(st.integers(1, 600), st.integers(0, 600))
def test_large_packs_of_whole_columns_are_sorted_alike(first, second):
    """A pack of many lines, name by name, gives the same as reading by reading."""
    readings = [("cell", i - 600, float(i)) for i in range(first)]
    readings += [("enc", i - 600, float(-i)) for i in range(second)]

    assert by_channel(naming(), readings) == one_by_one(readings)


def test_texts_leave_the_pack_as_it_was():
    """A channel that reads a text as a number does not write into the pack that others read."""
    pack = made_pack([("fl", 0, "ON"), ("cell", 0, "12")])
    naming().by_channel(pack, pack.t_ns)

    assert np.isnan(pack.value).all()


def test_what_is_remembered_of_names_is_bounded():
    """Packs of ever new names, or of ever new lengths, fill no memory; names are told once."""
    names = naming()
    for i in range(3 * REMEMBERED_PLANS):
        by_channel(names, [(f"new{i}", 0, 1.0), ("cell", 0, 1.0)])
        by_channel(names, [("cell", 0, 1.0)] * (REMEMBERED_NAMES + 1 + i))

    assert len(names._plans) <= REMEMBERED_PLANS
    assert max(map(len, names._plans)) <= REMEMBERED_NAMES
    assert len(names.unknown) == 3 * REMEMBERED_PLANS


def test_the_question_s_moment_stands_in_the_clock_pair():
    """A pack that answers a question ties its device's clock from both sides."""
    pack = Pack(
        names=(), t_ns=np.zeros(0, np.int64), absolute=False, value=np.zeros(0), up_ns=5, boot="b"
    )
    clock = naming().clock_of(pack, arrival_ns=100, wire_ns=10, asked_ns=80)

    assert clock.id == "mast#b"
    assert clock.pair == ClockPair(device_ns=5, arrival_ns=100, wire_ns=10, asked_ns=80)
    assert naming().times_ns(pack, arrival_ns=100, wire_ns=10).size == 0


def test_a_text_that_is_no_number_is_counted_and_quoted():
    """A decimal comma is not taken for a number, nor dropped in silence."""
    naming = PackNaming(read_rig(RIG), "mast", utc_start_ns=0)
    pack = Pack(
        names=("cell", "cell"),
        t_ns=np.zeros(2, dtype=np.int64),
        absolute=False,
        value=np.array([np.nan, np.nan]),
        texts={0: "1360,5", 1: "1360.5"},
    )
    ((channel, _, value),) = naming.by_channel(pack, pack.t_ns)

    assert (channel.id, value.tolist()) == ("load", [1360.5])
    assert dict(naming.not_numbers) == {"load": 1}
    assert naming.latest_text == "1360,5"


@given(
    names=st.lists(st.sampled_from(NAMES), min_size=1, max_size=6),
    rows=st.lists(st.lists(st.integers(-1000, 0), min_size=6, max_size=6), min_size=1, max_size=5),
    anchored=st.booleans(),
)
def test_packs_sorted_together_are_as_if_sorted_one_by_one(names, rows, anchored):
    """Many small packs of one shape at once give each channel the same readings."""
    together, alone = naming(), {}
    packs = [
        made_pack([(n, t, float(k)) for k, (n, t) in enumerate(zip(names, row, strict=False))])
        for row in rows
    ]
    bases_ns = [10_000 * (k + 1) for k in range(len(packs))]
    found = together.by_channel_of_all(packs, bases_ns, anchored=anchored)
    for pack, base_ns in zip(packs, bases_ns, strict=True):
        shift_ns = base_ns - int(pack.t_ns.max()) if anchored else base_ns
        for channel, t_ns, value in naming().by_channel(pack, pack.t_ns + shift_ns):
            pairs = zip(t_ns.tolist(), value.tolist(), strict=True)
            alone.setdefault(channel.id, []).extend(pairs)

    assert {c.id for c, _, _ in found} == set(alone)
    for channel, t_ns, value in found:
        assert sorted(zip(t_ns.tolist(), value.tolist(), strict=True)) == sorted(alone[channel.id])
