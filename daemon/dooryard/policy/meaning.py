"""Which lines of a policy mean something else than before, and how to keep what they meant. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from dooryard.classify.labels import GROUPS
from dooryard.config.toml_document import Document, quoted
from dooryard.config.toml_lines import Path
from dooryard.core.records import SOMETHING
from dooryard.policy.fields import ANYTHING, NOT_SURE
from dooryard.policy.patience import NAME_WAIT_S
from dooryard.policy.schema import Policy, Rule

_SPECIAL = frozenset({*GROUPS, ANYTHING, NOT_SURE, SOMETHING})


def changed_meaning(document: Document, policy: Policy, group_of: Mapping[str, str]) -> list[str]:
    """A line for each, with its place in the file. A key that is written out means what it says."""
    notes = Document(document.file, document.data, document.lines)
    for path, text in (*_of_quiet(policy), *_of_rules(policy, group_of)):
        notes.warning(path, text)
    return list(notes.told())


_HELD = (
    "what is held is sent when quiet hours end, and no longer told in the summary alone;"
    ' to keep that, write when_quiet_ends = "summary"; to accept it, write "send"'
)
_UNSURE = (
    f"{quoted(NOT_SURE)} no longer takes groups that have no species, such as a squirrel;"
    " to keep that, name those groups beside it"
)
_SURE = (
    "is compared with the certainty of the group even where the species is known, so it takes more visits;"
    " to keep that, raise it, or name the species"
)


def _of_quiet(policy: Policy) -> Iterator[tuple[Path, str]]:
    hours = policy.hours
    if not hours.quiet:
        return
    if "when_quiet_ends" not in hours.model_fields_set:
        yield ("hours", "quiet"), _HELD
    if "urgent" not in policy.messages.model_fields_set:
        waits = f"messages about the box wait too, but for {', '.join(policy.messages.urgent)};"
        keep = (
            'to keep them all coming, add to [messages] urgent = "all"; to accept it, write that list there'
        )
        yield ("hours", "quiet"), f"{waits} {keep}"


def _of_rules(policy: Policy, group_of: Mapping[str, str]) -> Iterator[tuple[Path, str]]:
    for i, rule in enumerate(policy.rule):
        if NOT_SURE in rule.visitor and ANYTHING not in rule.visitor:
            yield ("rule", i, "visitor"), _UNSURE
        if rule.sure > 0 and "sure" in rule.model_fields_set and _is_for_named_too(rule, group_of):
            yield ("rule", i, "sure"), _SURE
        awaited = [quoted(other.name) for other in policy.rule[:i] if _is_awaited(other, rule, group_of)]
        if awaited:
            waits = f"{quoted(rule.name)} waits while {' or '.join(awaited)} may still take the visit:"
            how = f"for the stay that it asks for, or {NAME_WAIT_S:g} s for a name"
            yield ("rule", i), f"{waits} {how}; to keep it quick, move it up"


def _is_for_named_too(rule: Rule, group_of: Mapping[str, str]) -> bool:
    """Whether it is for a group some of whose visitors are told by species."""
    named = {group for name, group in group_of.items() if name != group}
    return bool(named and ANYTHING in rule.visitor) or not named.isdisjoint(rule.visitor)


def _is_awaited(earlier: Rule, rule: Rule, group_of: Mapping[str, str]) -> bool:
    """Whether `rule` would take a visit at once that `earlier` takes a little later."""
    asks_more = earlier.shortest_stay_s > rule.shortest_stay_s or earlier.sure > rule.sure
    if asks_more and _share(earlier.visitor, rule.visitor, group_of):
        return True
    species = [name for name in earlier.visitor if name not in _SPECIAL]
    return any(_share([group_of.get(name, name)], rule.visitor, group_of) for name in species)


def _share(a: Sequence[str], b: Sequence[str], group_of: Mapping[str, str]) -> bool:
    """Whether one visitor may be meant by both."""
    wide = {ANYTHING, NOT_SURE}
    groups_a, groups_b = ({group_of.get(name, name) for name in names} for names in (a, b))
    return bool(groups_a & groups_b or wide & set(a) or wide & set(b))
