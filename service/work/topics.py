"""Topic filters of MQTT (MQTT 5, section 4.7): which topics are listened to."""

from __future__ import annotations


def matches(topic_filter: str, topic: str) -> bool:
    """Tell whether a filter matches a topic."""
    wanted, levels = _levels(topic_filter), topic.split("/")
    if wanted[-1] == "#":  # also matches the level above it
        wanted.pop()
        levels = levels[: len(wanted)]
    return len(wanted) == len(levels) and all(
        want in {"+", level} for want, level in zip(wanted, levels, strict=True)
    )


def may_match_below(topic_filter: str, prefix: str) -> bool:
    """Tell whether a filter can match topics that begin with a prefix and have more levels."""
    levels = prefix.split("/")
    for place, want in enumerate(_levels(topic_filter)):
        if want == "#" or place >= len(levels):
            return True
        if want not in {"+", levels[place]}:
            return False
    return False


def _levels(topic_filter: str) -> list[str]:
    levels = topic_filter.split("/")
    return levels[2:] if levels[0] == "$share" else levels
