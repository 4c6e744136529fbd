"""Messages of every shape, and that none can make the decoder raise or go unaccounted."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.work.conditions import REASONS, Arrival, Stream
from service.work.payloads import MAX_PAYLOAD_BYTES, decode, follow, read_time

RECEIVED = datetime(2026, 8, 3, 6, 0, tzinfo=UTC)
AT = datetime(2026, 8, 3, 5, 55, tzinfo=UTC)


def stream(sensor_id: int = 1, value_pointer: str = "", time_pointer: str = "") -> Stream:
    return Stream(
        sensor_id=sensor_id,
        topic="t",
        value_pointer=value_pointer,
        time_pointer=time_pointer,
        scale=1.0,
        offset=0.0,
        low=-40.0,
        high=60.0,
        zone_id=1,
        reach_before_s=0.0,
        reach_after_s=0.0,
    )


def read(payload: bytes | str, *streams: Stream, retained: bool = False) -> Arrival:
    raw = payload.encode() if isinstance(payload, str) else payload
    return decode("t", raw, RECEIVED, streams or (stream(),), retained=retained)


def values(arrival: Arrival) -> list[tuple[int, datetime, float]]:
    return [(sample.stream.sensor_id, sample.at, sample.value) for sample in arrival.samples]


@pytest.mark.parametrize(
    ("payload", "value"),
    [("21.5", 21.5), (" 21 \n", 21.0), ("-0.5e1", -5.0), ("0", 0.0)],
)
def test_a_number_is_the_value_at_arrival(payload: str, value: float) -> None:
    arrival = read(payload)
    assert values(arrival) == [(1, RECEIVED, value)]
    assert not arrival.faults


@pytest.mark.parametrize("value_key", ["value", "v"])
@pytest.mark.parametrize("time_key", ["time", "t", "ts"])
def test_an_object_needs_no_pointers_for_the_usual_keys(value_key: str, time_key: str) -> None:
    arrival = read(json.dumps({value_key: 21.5, time_key: "2026-08-03T05:55:00Z", "battery": 3.1}))
    assert values(arrival) == [(1, AT, 21.5)]
    assert not arrival.faults


def test_an_object_without_a_time_is_of_the_moment_of_arrival() -> None:
    assert values(read('{"v": 1}')) == [(1, RECEIVED, 1.0)]


def test_pointers_lead_into_an_object_and_escape_as_rfc_6901_says() -> None:
    document = '{"data": {"a/b": [10, 21.5], "m~n": 1785736500}}'
    arrival = read(document, stream(value_pointer="/data/a~1b/1", time_pointer="/data/m~0n"))
    assert values(arrival) == [(1, AT, 21.5)]


def test_several_sensors_read_their_own_part_of_one_message() -> None:
    document = '{"temp": 21.5, "par": 300, "at": 1785736500}'
    arrival = read(document, stream(1, "/temp", "/at"), stream(2, "/par", "/at"), stream(3, "/co2", "/at"))
    assert values(arrival) == [(1, AT, 21.5), (2, AT, 300.0)]
    assert not arrival.faults, "a sensor that is not in this message is no fault"


def test_that_no_sensor_is_in_a_message_is_a_fault_of_each() -> None:
    arrival = read('{"battery": 3.1}', stream(1, "/temp"), stream(2, "/par"))
    assert not arrival.samples
    assert [(fault.reason, fault.sensor_id) for fault in arrival.faults] == [("no_value", 1), ("no_value", 2)]


@pytest.mark.parametrize(
    "payload",
    [
        '[["2026-08-03T05:55:00Z", 20], [1785736800, 21]]',
        '[{"t": 1785736500000, "v": 20}, {"time": 1785736800, "value": 21}]',
        '[[1785736500, 20], {"ts": "2026-08-03T08:00:00+02:00", "value": 21}]',
    ],
)
def test_an_array_holds_samples_as_pairs_or_objects(payload: str) -> None:
    assert values(read(payload)) == [(1, AT, 20.0), (1, RECEIVED, 21.0)]


def test_pointers_count_within_each_sample_of_an_array() -> None:
    arrival = read(
        "[[1785736500, 20, 300], [1785736800, 21, 310]]", stream(1, "/1", "/0"), stream(2, "/2", "/0")
    )
    assert values(arrival) == [(1, AT, 20.0), (1, RECEIVED, 21.0), (2, AT, 300.0), (2, RECEIVED, 310.0)]


def test_a_pointer_may_lead_to_an_array_of_samples() -> None:
    arrival = read('{"samples": [[1785736500, 20], [1785736800, 21]]}', stream(value_pointer="/samples"))
    assert values(arrival) == [(1, AT, 20.0), (1, RECEIVED, 21.0)]


def test_the_good_samples_of_an_array_are_kept_and_the_bad_ones_named() -> None:
    arrival = read(
        '[[1785736500, 20], [1785736800, null], [1785736800], 7, ["yesterday", 3], [1785736800, 21]]'
    )
    assert [value for _, _, value in values(arrival)] == [20.0, 21.0]
    assert [fault.reason for fault in arrival.faults] == ["no_value", "no_value", "malformed", "bad_time"]
    assert [fault.detail.partition(":")[0] for fault in arrival.faults] == [
        "sample 1",
        "sample 2",
        "sample 3",
        "sample 4",
    ]


@pytest.mark.parametrize("depth", [2000, 100_000])
def test_what_is_nested_too_deep_is_said_in_plain_words(depth: int) -> None:
    [fault] = read('{"value": ' + "[" * depth + "]" * depth + "}").faults
    assert (fault.reason, fault.detail) == (
        "malformed",
        "arrays or objects are nested deeper in one another than is read",
    )


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("", "malformed"),
        ('{"value": 21.5', "malformed"),
        ("21,5", "malformed"),
        ("hello", "malformed"),
        (b"\xff\xfe", "malformed"),
        (b'{"v": 1, "name": "\xff"}', "malformed"),
        ("[" * 100_000, "malformed"),
        ('{"a":' * 50_000, "malformed"),
        ("[]", "malformed"),
        ("[21.5]", "malformed"),
        ("NaN", "not_finite"),
        ("nan", "not_finite"),
        ("-inf", "not_finite"),
        ("Infinity", "not_finite"),
        ("1e999", "not_finite"),
        ("-1e999", "not_finite"),
        ("1" + "0" * 400, "not_finite"),
        ('{"value": NaN, "t": 1785736500}', "not_finite"),
        ('{"value": -Infinity}', "not_finite"),
        ("[[1785736500, 1e999]]", "not_finite"),
        ("true", "no_value"),
        ("null", "no_value"),
        ('"21.5"', "no_value"),
        ("[[1785736500, 21.5, 3]]", "no_value"),
        ("{}", "no_value"),
        ('{"value": null}', "no_value"),
        ('{"value": "21.5"}', "no_value"),
        ('{"value": true}', "no_value"),
        ('{"v": 1, "t": "2026-08-03T05:55:00"}', "bad_time"),
        ('{"v": 1, "t": "2026-08-03"}', "bad_time"),
        ('{"v": 1, "t": null}', "bad_time"),
        ('{"v": 1, "t": NaN}', "bad_time"),
        ('{"v": 1, "t": true}', "bad_time"),
        ('{"v": 1, "t": 1e300}', "bad_time"),
        ('{"v": 1, "t": "0001-01-01T00:00:00+14:00"}', "bad_time"),
        ('[{"v": 1}]', "bad_time"),
    ],
)
def test_what_cannot_be_read_has_its_reason(payload: bytes | str, reason: str) -> None:
    arrival = read(payload)
    assert not arrival.samples
    assert [fault.reason for fault in arrival.faults] == [reason]
    assert arrival.faults[0].detail


def test_a_time_without_offset_is_refused_with_what_would_be_right() -> None:
    (fault,) = read('{"v": 1, "t": "2026-08-03T05:55:00"}').faults
    assert fault.detail == '"2026-08-03T05:55:00" has no offset; write for example 2026-08-03T06:00:00Z'


def test_a_time_pointer_that_leads_nowhere_does_not_fall_back_to_the_arrival() -> None:
    arrival = read('{"v": 1, "t": 1785736500}', stream(time_pointer="/meta/at"))
    assert [fault.reason for fault in arrival.faults] == ["bad_time"]


def test_a_retained_value_needs_a_time_of_its_own() -> None:
    assert [fault.reason for fault in read("21.5", retained=True).faults] == ["bad_time"]
    assert values(read('{"v": 21.5, "t": 1785736500}', retained=True)) == [(1, AT, 21.5)]


def test_a_topic_that_nobody_claims() -> None:
    arrival = decode("t", b"21.5", RECEIVED, ())
    assert [fault.reason for fault in arrival.faults] == ["unknown_topic"]


def test_an_oversized_message_is_not_read_and_its_first_part_kept() -> None:
    whole = b"[" + b"[1785736500, 20]," * 20_000 + b"[1785736500, 20]]"
    assert len(whole) > MAX_PAYLOAD_BYTES
    arrival = read(whole)
    assert not arrival.samples
    assert [fault.reason for fault in arrival.faults] == ["oversized"]
    assert arrival.payload == whole[:4096]
    assert arrival.size_bytes == len(whole)


@pytest.mark.parametrize(
    ("value", "moment"),
    [
        (0, datetime(1970, 1, 1, tzinfo=UTC)),
        (-1.5, datetime(1969, 12, 31, 23, 59, 58, 500_000, tzinfo=UTC)),
        (1785736500.25, AT + timedelta(milliseconds=250)),
        (1785736500250, AT + timedelta(milliseconds=250)),
        ("2026-08-03T05:55:00Z", AT),
        ("20260803T055500Z", AT),
        ("2026-08-03 07:55:00.000001+02:00", AT + timedelta(microseconds=1)),
    ],
)
def test_times_are_told_apart_by_their_size(value: object, moment: datetime) -> None:
    assert read_time(value) == moment


@pytest.mark.parametrize(
    ("pointer", "found"),
    # RFC 6901 section 5, its example document and answers.
    [
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_find_what_rfc_6901_says(pointer: str, found: object) -> None:
    document = {
        "foo": ["bar", "baz"],
        "": 0,
        "a/b": 1,
        "c%d": 2,
        "e^f": 3,
        "g|h": 4,
        "i\\j": 5,
        'k"l': 6,
        " ": 7,
        "m~n": 8,
    }
    assert follow(document, pointer) == found


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/0/0", "/bar", "foo"])
def test_pointers_that_lead_nowhere(pointer: str) -> None:
    arrival = read('{"foo": [1, 2]}', stream(value_pointer=pointer))
    assert [fault.reason for fault in arrival.faults] == ["no_value"]


POINTERS = st.sampled_from(["", "/v", "/0", "/1", "/a/b", "/", "v", "/~", "/9999999999"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=5)
        | st.dictionaries(st.sampled_from(["v", "value", "t", "ts", "time", "a", "b", ""]), inner, max_size=5)
    ),
    max_leaves=20,
)
MESSAGES = st.binary(max_size=200) | JSON.map(lambda document: json.dumps(document).encode())


@settings(max_examples=1000, deadline=None)
@given(
    payload=MESSAGES,
    pointers=st.lists(st.tuples(POINTERS, POINTERS), min_size=0, max_size=3),
    retained=st.booleans(),
)
def test_any_bytes_are_accounted_for_and_none_raises(
    payload: bytes, pointers: list[tuple[str, str]], retained: bool
) -> None:
    streams = [stream(index, value, time) for index, (value, time) in enumerate(pointers)]
    arrival = decode("t", payload, RECEIVED, streams, retained=retained)
    assert arrival.samples or arrival.faults
    assert all(math.isfinite(sample.value) for sample in arrival.samples)
    assert all(sample.at.utcoffset() == timedelta(0) for sample in arrival.samples)
    for fault in arrival.faults:
        assert fault.reason in REASONS
        assert fault.detail.isprintable()
        assert "\x00" not in fault.detail
