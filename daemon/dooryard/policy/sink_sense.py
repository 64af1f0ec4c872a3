"""What a policy says of its sinks that cannot be, and what it surely did not mean. Pure."""

from __future__ import annotations

from dooryard.config.toml_document import Document, quoted
from dooryard.policy.schema import OwnSink, Policy
from dooryard.policy.sink_hours import instead_of, quiet_of, summary_at

_SAYS_NOTHING = frozenset({"name", "instead_after_min"})


def note_wrong_sinks(document: Document, policy: Policy) -> None:
    """Note each sink whose alerts would go round in a circle."""
    for i, sink in enumerate(policy.sink):
        if sink.instead == sink.name:
            document.problem(
                ("sink", i, "instead"),
                f"{quoted(sink.name)} cannot stand in for itself; name another sink, or take this out",
            )
        elif circle := _circle(policy, sink.name):
            document.problem(
                ("sink", i, "instead"),
                f"goes round in a circle: {' -> '.join(circle)}; take out one of these insteads",
            )


def _circle(policy: Policy, sink: str) -> list[str]:
    """The way from `sink` by `instead` back to it; empty if it does not come back."""
    way = [sink]
    while found := instead_of(policy, way[-1]):
        way.append(found[0])
        if found[0] == sink:
            return way
        if found[0] in way[:-1]:  # a circle of others, which they note themselves
            break
    return []


def warn_of_sinks(document: Document, policy: Policy) -> None:
    """Warn of what has no effect, and of what nobody would ever be told."""
    for i, sink in enumerate(policy.sink):
        if sink.model_fields_set <= _SAYS_NOTHING:
            document.warning(("sink", i), f"says nothing of {quoted(sink.name)}; add a key, or take it out")
        elif "instead_after_min" in sink.model_fields_set and sink.instead is None:
            document.warning(
                ("sink", i, "instead_after_min"), "never counts without instead; name that sink, too"
            )
        _warn_of_bounds(document, i, sink)
        _warn_of_lost_holds(document, policy, i, sink)


def _warn_of_bounds(document: Document, i: int, sink: OwnSink) -> None:
    hour, day = sink.at_most_per_hour, sink.at_most_per_day
    if hour is not None and day is not None and hour > day:
        document.warning(
            ("sink", i, "at_most_per_hour"),
            f"never counts: at_most_per_day is {day}, which is less; change one of them",
        )


def _warn_of_lost_holds(document: Document, policy: Policy, i: int, sink: OwnSink) -> None:
    lost = policy.hours.when_quiet_ends == "summary" and quiet_of(policy, sink.name)
    if lost and (sink.quiet or sink.summary_at) and summary_at(policy, sink.name) is None:
        document.warning(
            ("sink", i),
            f"what comes in quiet hours is told in the summary, and {quoted(sink.name)} gets none: "
            "set its summary_at",
        )
