"""The SenML decoder against RFC 8428's own examples, rules and hostile input."""

import json
from contextlib import suppress
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.senml import decode_senml, resolve_senml

# Examples and their resolved form: RFC 8428 section 5.1; "source" in the file says more.
CHECK_VALUES = json.loads((Path(__file__).parent / "check_values/senml_vectors.json").read_text())
VECTORS = CHECK_VALUES["vectors"]
RULES = {r["rule"]: r["value"] for r in CHECK_VALUES["rules"]}
EXPECTED = ("resolved_published_in_rfc_5_1_4", "resolved_computed", "pack")


def pack(*records):
    """Records as a frame."""
    return json.dumps(records).encode()


def one(**record):
    """A frame of one record of the name "a"."""
    return pack({"n": "a", **record})


def vector_id(vector):
    """Section and id of an example."""
    return f"{vector['rfc_section']}-{vector['id']}"


def ns(seconds):
    """Seconds to ns, by the digits that print them."""
    return round(Decimal(repr(seconds)) * 10**9)


def as_expected(record):
    """A resolved record in the labels of the file of check values."""
    labels = {
        "n": record.name,
        "u": record.unit,
        "t": record.t_ns,
        "absolute": record.absolute,
        "vd": record.data,
        "s": record.sum_value,
        "bver": record.version,
    }
    kind = {bool: "vb", str: "vs", float: "v"}.get(type(record.value))
    if kind:
        labels[kind] = record.value
    return {k: v for k, v in labels.items() if v is not None}


def expected(vector):
    """The resolved records that the file of check values gives."""
    records = next(vector[key] for key in EXPECTED if key in vector)
    return [
        {
            **{k: v for k, v in record.items() if k not in ("t", "t_relative")},
            "t": ns(record.get("t", record.get("t_relative"))),
            "absolute": "t" in record,
        }
        for record in records
    ]


@pytest.mark.parametrize("vector", VECTORS, ids=vector_id)
@pytest.mark.parametrize("text_of", ["pack", "raw_text_in_rfc"])
def test_examples_resolve_as_the_rfc_says(vector, text_of):
    """Every example of RFC 8428 section 5.1 resolves to the records that its rules give."""
    if text_of == "raw_text_in_rfc" and vector["truncated_with_ellipsis_in_rfc"]:
        frame = json.dumps(json.loads(vector["raw_text_in_rfc"])).encode()
    else:
        frame = vector[text_of].encode() if text_of != "pack" else pack(*vector["pack"])

    resolved = resolve_senml(frame)

    assert [as_expected(r) for r in resolved] == expected(vector)


@pytest.mark.parametrize("vector", VECTORS, ids=vector_id)
def test_examples_decode_to_the_same_readings(vector):
    """The fast decoder finds in every RFC example the readings that resolving finds."""
    frame = pack(*vector["pack"])
    found = decode_senml(frame)
    order = np.argsort(found.t_ns, kind="stable")
    resolved = resolve_senml(frame)

    assert [found.names[i] for i in order] == [r.name for r in resolved]
    assert found.t_ns[order].tolist() == [r.t_ns for r in resolved]
    assert {found.absolute} == {r.absolute for r in resolved}
    for i, record in zip(order, resolved, strict=True):
        wanted = record.data if record.data is not None else record.value
        if isinstance(wanted, str):
            assert found.texts[int(i)] == wanted
            assert np.isnan(found.value[i])
        else:
            assert found.value[i] == float(wanted)


@pytest.mark.parametrize(
    "vector", [v for v in VECTORS if "resolved_from_spec_repo_file" in v], ids=vector_id
)
def test_examples_agree_with_the_specification_s_own_tool(vector):
    """Content is that of the resolved files in the specification's repository.

    Those keep pack order and leave the version out.
    """
    found = [as_expected(r) for r in resolve_senml(pack(*vector["pack"]))]
    tool = [
        {**r, "t": ns(r["t"]), "absolute": True}
        for r in vector["resolved_from_spec_repo_file"]["records"]
    ]

    def by_content(r):
        return json.dumps({k: v for k, v in r.items() if k != "bver"}, sort_keys=True)

    without_version = [{k: v for k, v in r.items() if k != "bver"} for r in found]

    assert sorted(without_version, key=by_content) == sorted(
        [{**r, "v": float(r["v"])} for r in tool], key=by_content
    )


def test_version_of_the_example_is_kept():
    """RFC 8428 4.6: a version other than 10 is in every resolved record."""
    vector = next(v for v in VECTORS if v["id"] == "multi_relative_5s")

    assert {r.version for r in resolve_senml(pack(*vector["pack"]))} == {5}


def test_relative_below_absolute_from_the_threshold():
    """RFC 8428 4.5.3: below 2**28 s a time is relative, from there on it is UTC."""
    threshold = RULES["relative/absolute threshold"]
    below, at = decode_senml(one(v=1, t=threshold - 0.5)), decode_senml(one(v=1, t=threshold))

    assert threshold == 2**28
    assert (below.absolute, at.absolute) == (False, True)
    assert at.t_ns.tolist() == [ns(threshold)]


def test_threshold_is_for_the_sum_of_base_time_and_time():
    """RFC 8428 4.5.3: base time and time are added before they are judged."""
    found = decode_senml(pack({"bt": 2**28 - 1, "n": "a", "v": 1, "t": 1}))

    assert found.absolute
    assert found.t_ns.tolist() == [2**28 * 10**9]


def test_relative_times_among_absolute_ones_count_from_the_newest():
    """A pack that mixes absolute and relative times keeps every reading.

    Its "now" is its newest absolute time; with the time of day given, resolving counts from it.
    """
    frame = pack({"n": "a", "v": 1, "t": 1.7e9}, {"n": "b", "v": 2}, {"n": "c", "v": 3, "t": -2})
    found = decode_senml(frame)
    resolved = resolve_senml(frame, now_ns=ns(1.7e9 + 5))

    assert found.absolute
    assert (found.t_ns - ns(1.7e9)).tolist() == [0, 0, -2_000_000_000]
    assert [(r.name, r.t_ns - ns(1.7e9)) for r in resolved] == [
        ("a", 0),
        ("c", 3_000_000_000),
        ("b", 5_000_000_000),
    ]


def test_absolute_base_time_keeps_its_nanoseconds():
    """A base time's decimal digits are taken exactly, where a double would keep 0.2 µs."""
    frame = b'[{"bt":1700000000.123456789,"n":"a","v":1,"t":-0.000000789},{"n":"b","v":1}]'

    assert decode_senml(frame).t_ns.tolist() == [1_700_000_000_123_456_000, 1700000000123456789]


def test_absolute_time_of_a_record_is_the_nearest_to_its_double():
    """A record's own absolute time loses nothing beyond the double that it came as."""
    t_s = 1700000000.123456
    found = decode_senml(one(v=1, t=t_s))

    assert abs(int(found.t_ns[0]) - 1_700_000_000_123_456_000) <= 120
    assert found.t_ns[0] == round(Decimal(t_s) * 10**9)


def test_base_fields_count_until_replaced():
    """RFC 8428 4.1: base fields apply to their record and all after it until replaced."""
    resolved = resolve_senml(
        pack(
            {"bn": "x/", "bu": "m", "bv": 10, "bs": 2, "bt": -4, "n": "a", "v": 1, "s": 3},
            {"n": "b", "v": 2, "u": "s"},
            {"bn": "y/", "bv": 0, "bt": 0, "n": "c", "v": 3},
        )
    )

    assert [(r.name, r.unit, r.value, r.sum_value, r.t_ns) for r in resolved] == [
        ("x/a", "m", 11, 5, -4_000_000_000),
        ("x/b", "s", 12, 2, -4_000_000_000),
        ("y/c", "m", 3, 2, 0),
    ]


def test_all_kinds_of_values():
    """Numbers, truth values, texts and data come out of a pack each in its way."""
    found = decode_senml(
        pack(
            {"n": "a", "v": -1.5e-3},
            {"n": "b", "vb": True},
            {"n": "c", "vb": False},
            {"n": "d", "vs": "open"},
            {"n": "e", "vd": "aGkgCg"},
            {"n": "f", "v": 7, "s": 1, "ut": 3},
        )
    )

    assert np.array_equal(found.value, [-1.5e-3, 1, 0, np.nan, np.nan, 7], equal_nan=True)
    assert found.texts == {3: "open", 4: "aGkgCg"}


def test_base_value_alone_is_a_value():
    """RFC 8428 4.5.4: where only the base value is there, the missing value counts as zero."""
    assert decode_senml(pack({"bv": 5, "n": "a"})).value.tolist() == [5]


@pytest.mark.parametrize(
    "first", [{"bn": "x"}, {"bu": "V"}, {"bver": 10}, {"bs": 1}, {"seq": 1, "boot": "b"}, {"q": 1}]
)
def test_a_record_without_regular_fields_is_no_reading(first):
    """A first record may hold only what counts for the others (RFC 8428 5.1.7), or labels."""
    frame = pack(first, {"n": "a", "v": 1})

    assert decode_senml(frame).value.tolist() == [1]
    assert [r.value for r in resolve_senml(frame)] == [1]


def test_sum_alone_is_no_reading_and_is_kept_by_resolving():
    """RFC 8428 4.2 allows a sum without a value: the recorder has nothing to draw from it."""
    frame = pack({"n": "a", "s": 3}, {"n": "b", "v": 1})

    assert decode_senml(frame).names == ("b",)
    assert [(r.name, r.value, r.sum_value) for r in resolve_senml(frame)] == [
        ("a", None, 3),
        ("b", 1, None),
    ]


def test_own_labels_are_read_from_the_first_record():
    """Pack counter, boot mark and uptime come from the first record, to the nanosecond."""
    found = decode_senml(
        b'[{"bn":"m:","seq":7,"boot":"a1","up":86400.123456789,"n":"x","v":1},{"n":"y","v":2}]'
    )

    assert (found.seq, found.boot, found.up_ns) == (7, "a1", 86_400_123_456_789)


def test_own_labels_count_in_no_other_record():
    """In later records they are labels that nobody knows, and are ignored (4.4)."""
    found = decode_senml(
        pack({"n": "x", "v": 1}, {"n": "y", "v": 2, "seq": "?", "boot": [], "up": {}})
    )

    assert (found.seq, found.boot, found.up_ns) == (None, None, None)


def test_unknown_labels_are_ignored():
    """RFC 8428 4.4: fields that are not recognised are ignored, whatever they hold."""
    found = decode_senml(pack({"n": "a", "v": 1, "hue": {"x_": [1, None]}, "bz": 2, "_q": 1}))

    assert found.value.tolist() == [1]


@pytest.mark.parametrize(
    "frame",
    [
        b'[{"n":"a","v":1,"new_":1}]',
        b'[{"n":"a","v":1},{"n":"b","v":1,"bq_" : null}]',
        b'[{"n":"a","v":1,"new\\u005f":1}]',
        b'[{"n":"a","v":1,"_":1}]',
    ],
)
def test_labels_that_must_be_understood_are_an_error(frame):
    """RFC 8428 4.4: an unknown label that ends in "_" makes the pack an error."""
    with pytest.raises(FrameInvalid, match="must be understood"):
        decode_senml(frame)


def test_a_text_that_ends_in_an_underscore_is_no_label():
    """Names and texts may end in "_" and hold what looks like a label."""
    found = decode_senml(pack({"n": "a_", "vs": 'x_":1'}, {"n": "b_", "v": 1}))

    assert found.names == ("a_", "b_")
    assert found.texts == {0: 'x_":1'}


@pytest.mark.parametrize("version", [1, 5, 10, RULES["version when secondary units are used"]])
def test_versions_we_understand(version):
    """10 and lower (RFC 8428 4.4), and 26, whose one feature concerns units (RFC 9100)."""
    assert decode_senml(pack({"bver": version, "n": "a", "v": 1})).value.tolist() == [1]


@pytest.mark.parametrize("version", [11, 25, 27, 42, 58, 0, -10])
def test_versions_we_do_not_understand(version):
    """RFC 8428 4.4: a pack of a version that is not understood must not be used."""
    with pytest.raises(FrameInvalid, match="version"):
        decode_senml(pack({"bver": version, "n": "a", "v": 1}))


def test_one_version_in_a_pack():
    """RFC 8428 4.4: all records of a pack have the same version."""
    with pytest.raises(FrameInvalid, match="in one pack"):
        decode_senml(pack({"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}))

    assert len(decode_senml(pack({"n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1})).names) == 2


@pytest.mark.parametrize("name", ["a", "0", "A-:./_z", "urn:dev:ow:10e2073a01080063"])
def test_names_of_the_allowed_characters(name):
    """RFC 8428 4.5.1: letters, digits and - : . / _, a letter or digit first."""
    assert decode_senml(pack({"n": name, "v": 1})).names == (name,)


@pytest.mark.parametrize("name", ["", "-a", "_a", ":a", "a b", "a\n", "é", "a%", "a" * 9 + "\0"])
def test_names_of_other_characters_are_refused(name):
    """RFC 8428 4.5.1 forbids every other name; so no name can carry a terminal's commands."""
    with pytest.raises(FrameInvalid, match="is no name"):
        decode_senml(pack({"n": name, "v": 1}))


@pytest.mark.parametrize(
    ("frame", "cause"),
    [
        (b"", "no SenML pack"),
        (b"[]", "no record"),
        (b"{}", "no SenML pack"),
        (b'{"n":"a","v":1}', "no SenML pack"),
        (b"[1]", "no SenML pack"),
        (b'[{"n":"a","v":1}', "no SenML pack"),
        (b'[{"n":"a","v":1}]]', "no SenML pack"),
        (b'[{"n":"a"}]', "no value"),
        (b'[{"n":"a","v":null}]', "no SenML pack"),
        (b'[{"n":"a","v":NaN}]', "no SenML pack"),
        (b'[{"n":"a","v":Infinity}]', "no SenML pack"),
        (b'[{"n":"a","v":1e999}]', "no SenML pack"),
        (b'[{"n":"a","v":"1"}]', "no SenML pack"),
        (b'[{"n":"a","v":true}]', "no SenML pack"),
        (b'[{"n":"a","vb":1}]', "no SenML pack"),
        (b'[{"n":"a","vb":"true"}]', "no SenML pack"),
        (b'[{"n":"a","vs":1}]', "no SenML pack"),
        (b'[{"n":"a","vd":"aGkgCg=="}]', "base64url"),
        (b'[{"n":"a","vd":"a"}]', "base64url"),
        (b'[{"n":"a","v":1,"vb":true}]', "more than one"),
        (b'[{"n":"a","v":1,"vs":""}]', "more than one"),
        (b'[{"n":"a","vs":"x","vd":"aGkg","s":1}]', "more than one"),
        (b'[{"bv":1.7e308,"n":"a","v":1.7e308}]', "range"),
        (b'[{"n":"a","v":1,"t":1e300}]', "2112"),
        (b'[{"bt":1e300,"n":"a","v":1}]', "2112"),
        (b'[{"bt":"5","n":"a","v":1}]', "bt is no number"),
        (b'[{"bt":null,"n":"a","v":1}]', "bt is no number"),
        (b'[{"n":"a","v":1,"seq":-1}]', "seq"),
        (b'[{"n":"a","v":1,"seq":1.5}]', "seq"),
        (b'[{"n":"a","v":1,"seq":9223372036854775808}]', "seq"),
        (b'[{"n":"a","v":1,"boot":3}]', "boot"),
        (b'[{"n":"a","v":1,"boot":""}]', "boot"),
        (b'[{"n":"a","v":1,"boot":"\\u001b[2J"}]', "boot"),
        (b'[{"n":"a","v":1,"up":-1}]', "up"),
        (b'[{"n":"a","v":1,"up":"1"}]', "up"),
        (b'[{"n":"a","vs":"\xff"}]', "no SenML pack"),
        (b'[{"":""}]', "no label in it is known"),
        (b"[{},{}]", "no label in it is known"),
        (b'[{"n":"a","v":1,"x":"\xff"}]', "no SenML pack"),
        (b'[{"n":"a","v":1,"x":' + b"[" * 30_000 + b"]" * 30_000 + b"}]", "no SenML pack"),
        (b'[{"n":"a","v":1,"x_":' + b"[" * 30_000 + b"]" * 30_000 + b"}]", "no SenML pack"),
    ],
)
def test_what_is_no_valid_pack_is_refused(frame, cause):
    """Whatever is no SenML raises FrameInvalid with its cause, and nothing else."""
    with pytest.raises(FrameInvalid, match=cause):
        decode_senml(frame)
    with pytest.raises(FrameInvalid):
        resolve_senml(frame) if cause not in ("seq", "boot", "up") else decode_senml(frame)


@given(st.binary(max_size=200))
def test_noise_raises_nothing_but_frame_invalid(noise):
    """Random bytes never raise anything that the reader of a line does not expect."""
    with suppress(FrameInvalid):  # some are a pack: the search for counter-examples writes labels
        decode_senml(noise)


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text("a_\0é", max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("a_", max_size=3), inner),
    max_leaves=4,
)
LABELS = st.sampled_from([x["label"] for x in CHECK_VALUES["labels"]] + ["seq", "boot", "up", "q_"])


@given(st.lists(st.dictionaries(LABELS, JSON_VALUES, max_size=6), max_size=4))
def test_any_json_decodes_or_is_refused(records):
    """Any JSON under SenML's labels either decodes or raises FrameInvalid."""
    try:
        found = decode_senml(json.dumps(records).encode())
    except FrameInvalid:
        return

    assert len(found.names) == found.t_ns.size == found.value.size <= len(records)


NUMBERS = st.floats(-1e12, 1e12).map(lambda x: round(x, 6))
TIMES = st.sampled_from([0, -5, -0.25, 10.5, 1.7e9, 1320067464.5])
RECORDS = st.fixed_dictionaries(
    {"n": st.sampled_from(["a", "b", "c/d"])},
    optional={"t": TIMES, "bn": st.sampled_from(["x", "y:"]), "bt": TIMES, "bv": NUMBERS},
).flatmap(
    lambda r: st.one_of(
        st.fixed_dictionaries({"v": NUMBERS}),
        st.fixed_dictionaries({"vb": st.booleans()}),
        st.fixed_dictionaries({"vs": st.text(max_size=4)}),
    ).map(lambda v: {**r, **v})
)


def slow_twin(records):
    """RFC 8428 4.1 and 4.5 word by word: name, seconds and value of each record."""
    base = {}
    for record in records:
        base.update({k: v for k, v in record.items() if k in ("bn", "bt", "bv")})
        value = record.get("vs", record.get("vb"))
        if value is None:
            value = base.get("bv", 0) + record["v"]
        time = Decimal(repr(base.get("bt", 0))) + Decimal(repr(record.get("t", 0)))
        yield base.get("bn", "") + record["n"], time, value


@given(st.lists(RECORDS, min_size=1, max_size=8))
def test_decoder_agrees_with_its_slow_twin(records):
    """The fast decoder gives the names, times and values of a word-by-word reading."""
    found = decode_senml(json.dumps(records).encode())
    names, times, values = zip(*slow_twin(records), strict=True)
    absolute = [t >= 2**28 for t in times]
    now = max(times) if any(absolute) else 0
    times = [t if a or not any(absolute) else now + t for t, a in zip(times, absolute, strict=True)]

    assert found.names == names
    assert found.absolute == any(absolute)
    assert np.abs(found.t_ns - np.array([round(t * 10**9) for t in times])).max() <= 120
    for i, value in enumerate(values):
        assert found.texts[i] == value if isinstance(value, str) else found.value[i] == value


def test_an_answer_carries_the_number_of_its_question():
    """``reply`` in the first record is the question's number, with readings or without."""
    bare = decode_senml(pack({"up": 12.25, "boot": "a", "reply": 7}))
    with_reading = decode_senml(one(v=1, up=12.25, reply=8))

    assert (bare.reply, bare.up_ns, bare.boot, bare.names) == (7, 12_250_000_000, "a", ())
    assert (with_reading.reply, with_reading.names) == (8, ("a",))
    assert decode_senml(one(v=1)).reply is None


@pytest.mark.parametrize("reply", [-1, 1.5, "7", None, 2**63])
def test_an_answer_to_no_count_is_refused(reply):
    """A number that no question can have had makes the pack invalid."""
    with pytest.raises(FrameInvalid, match="reply"):
        decode_senml(one(v=1, reply=reply))
