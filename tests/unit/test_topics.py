"""Which topics a filter matches, as MQTT 5 says in section 4.7."""

from __future__ import annotations

import pytest

from service.work.topics import matches, may_match_below


@pytest.mark.parametrize(
    ("topic_filter", "topic", "right"),
    [
        ("evenleaf/#", "evenleaf/N1/table/temp_air_c", True),
        ("evenleaf/#", "evenleaf", True),
        ("evenleaf/#", "evenleaf2/N1", False),
        ("evenleaf/#", "other/q", False),
        ("#", "other/q", True),
        ("farm/+/air", "farm/N1/air", True),
        ("farm/+/air", "farm/N1/light", False),
        ("farm/+/air", "farm/N1/2/air", False),
        ("farm/+", "farm", False),
        ("farm/+", "farm/", True),
        ("farm/+/#", "farm/N1", True),
        ("farm/air", "farm/air", True),
        ("farm/air", "farm/air/2", False),
        ("farm/air/2", "farm/air", False),
        ("$share/group/farm/#", "farm/air", True),
        ("$share/group/farm/#", "share/air", False),
    ],
)
def test_a_filter_matches_topics(topic_filter: str, topic: str, right: bool) -> None:
    assert matches(topic_filter, topic) is right


def test_a_filter_may_match_below_a_prefix() -> None:
    assert may_match_below("evenleaf/+/air", "evenleaf")
    assert may_match_below("$share/group/evenleaf/#", "evenleaf/out")
    assert not may_match_below("evenleaf/#", "evenleaf-out")
    assert not may_match_below("evenleaf/air", "evenleaf/air")
