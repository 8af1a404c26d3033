"""Missing, late and repeated packs, by the device's own count."""

import random

from hypothesis import given
from hypothesis import strategies as st

from logger.readings.continuity import REMEMBERED_BOOTS, REMEMBERED_HOLES, ContinuityTracker


def verdicts(seqs, *, boot="a", tracker=None):
    """What the tracker says of each count in turn."""
    tracker = tracker or ContinuityTracker()
    return [tracker.check(boot, seq) for seq in seqs]


def short(found):
    """Verdict, missing and late of each."""
    return [(c.verdict, c.missing, c.late) for c in found]


def test_counting_up_is_new_and_complete():
    """Packs in order are new, with none missing, wherever the count begins."""
    assert set(short(verdicts(range(500, 900)))) == {("new", 0, False)}


def test_a_gap_is_told_once_with_its_size():
    """The pack after a gap tells how many are missing; the next tells none."""
    assert short(verdicts([1, 2, 6, 7])) == [
        ("new", 0, False),
        ("new", 0, False),
        ("new", 3, False),
        ("new", 0, False),
    ]


def test_a_repeated_pack_is_a_duplicate():
    """A pack that was taken before is a duplicate, however far back."""
    found = verdicts([*range(10_000), 9_999, 5_000, 0, 10_000])

    assert [c.verdict for c in found[10_000:]] == ["duplicate"] * 3 + ["new"]


def test_a_late_pack_fills_its_gap_once():
    """A pack that comes after later ones is new and says that it was counted as missing."""
    assert short(verdicts([1, 4, 3, 3, 2, 5]))[1:] == [
        ("new", 2, False),
        ("new", 0, True),
        ("duplicate", 0, False),
        ("new", 0, True),
        ("new", 0, False),
    ]


def test_a_new_boot_counts_for_itself():
    """After a restart the count begins anew, without a gap; the old boot stays known."""
    tracker = ContinuityTracker()
    verdicts(range(100), tracker=tracker)
    first = tracker.check("b", 0)

    assert (first.verdict, first.missing, first.restarted) == ("new", 0, True)
    assert tracker.check("b", 1).restarted is False
    assert tracker.check("a", 99).verdict == "duplicate"


def test_two_devices_on_one_topic_do_not_disturb_each_other():
    """Packs of several devices may alternate; each boot has its own count."""
    tracker = ContinuityTracker()
    found = [tracker.check(boot, seq) for seq in range(200) for boot in ("a", "b", "c")]

    assert all(c.verdict == "new" and c.missing == 0 for c in found)


def test_without_a_count_everything_is_new():
    """A device that does not count is never judged."""
    assert {c.verdict for c in verdicts([None] * 5)} == {"new"}


def test_a_device_without_boot_may_start_again():
    """Without a boot mark a step back to 0 or 1 is a restart: its readings are kept."""
    for first in (0, 1):
        found = verdicts([*range(50), *range(first, 50)], boot=None)

        assert {c.verdict for c in found} == {"new"}
        assert [c.restarted for c in found].count(True) == 1


def test_a_device_without_boot_still_has_its_duplicates_found():
    """Without a boot mark a message that comes twice is still a duplicate."""
    assert [c.verdict for c in verdicts([7, 8, 9, 8, 10], boot=None)][3:] == ["duplicate", "new"]


def test_a_counter_that_wraps_goes_on():
    """A counter of 16 or 32 bits that starts again at 0 is neither restart nor duplicate."""
    for size in (2**16, 2**32):
        for boot in ("a", None):
            seqs = [s % size for s in range(size - 300, size + 300)]
            found = verdicts([*seqs, seqs[299], seqs[305], 302], boot=boot)

            assert {(c.verdict, c.missing) for c in found[:600]} == {("new", 0)}
            assert [c.verdict for c in found[600:602]] == ["duplicate", "duplicate"]
            assert (found[602].verdict, found[602].missing) == ("new", 2)


def test_a_wild_count_takes_no_memory_and_drops_nothing():
    """A leap of 10¹⁵ is told as missing, keeps a bounded memory, and packs after it are new."""
    tracker = ContinuityTracker()
    leap = verdicts([0, 10**15, 10**15 + 1, 5], tracker=tracker)

    assert leap[1].missing == 10**15 - 1
    assert [c.verdict for c in leap] == ["new"] * 4
    assert len(tracker._boots["a"].holes) == REMEMBERED_HOLES


def test_boots_are_remembered_to_a_bound():
    """Endless restarts take no endless memory."""
    tracker = ContinuityTracker()
    for i in range(500):
        tracker.check(f"boot-{i}", 0)

    assert len(tracker._boots) == REMEMBERED_BOOTS


@given(st.lists(st.integers(0, 40), max_size=80))
def test_verdicts_agree_with_remembering_everything(seqs):
    """The ranges judge as a plain set of all counts would, and what is missing adds up."""
    seen, missing = set(), 0
    for seq, found in zip(seqs, verdicts(seqs), strict=True):
        assert found.verdict == ("duplicate" if seq in seen else "new")
        seen.add(seq)
        missing += found.missing - found.late

        assert missing == max(seen) - min(seen) + 1 - len(seen)


def test_lossy_link_is_accounted_for_exactly():
    """Over a link that drops, repeats and swaps packs, taken and missing add up to all sent."""
    rng = random.Random(3)
    stream = [s for s in range(20_000) for _ in range(rng.choice([0, 1, 1, 1, 2]))]
    for _ in range(2_000):
        i = rng.randrange(len(stream) - 30)
        stream.insert(i + rng.randrange(30), stream.pop(i))
    found = verdicts(stream)
    new = sum(c.verdict == "new" for c in found)
    missing = sum(c.missing - c.late for c in found)

    assert new == len(set(stream))
    assert new + missing == max(stream) - min(stream) + 1
