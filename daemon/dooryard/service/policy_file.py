"""The policy file read again while the service runs, and what of the box its names are checked against."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from pathlib import Path

from dooryard.box.file import BoxFile
from dooryard.box.sensors import SYSTEM
from dooryard.core.errors import ConfigError
from dooryard.core.text_files import read_text
from dooryard.pipeline import Conditions
from dooryard.policy.changes import policy_changes
from dooryard.policy.fields import Gauge
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.sensors.kinds import Machine


def gauges_of(box: BoxFile) -> dict[str, Gauge]:
    """Each sensor of `box`: its own, and those of every board that none of its own replaces."""
    machine = Machine(state_folder=Path())
    replaced = {sensor.kind for sensor in box.sensor}
    system = [each for each in SYSTEM if each.kind not in replaced]
    made = [each.built(machine) for each in (*system, *box.sensor)]
    return {sensor.name: Gauge(sensor.unit.value, sensor.every_s) for sensor in made}


def reread(
    path: Path,
    *,
    sinks: frozenset[str],
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
    sensors: Collection[str] | None = None,
) -> tuple[Policy | None, str]:
    """Read a policy that was changed while the box runs: all of it, or nothing.

    Returns the policy and its warnings, one a line; or None and the first problem of the file.
    """
    try:
        text = read_text(path)
        parsed = parse_policy(
            text, str(path), sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors
        )
    except ConfigError as error:
        return None, error.what.split("\n")[0]
    return parsed.value, "\n".join(parsed.warnings)


def rereader(
    read_policy: Callable[[], tuple[Policy | None, str]],
) -> Callable[[Conditions], tuple[Conditions, str]]:
    """Take up a changed policy, all of it or nothing; the text says which, and why."""

    def take_up(rules: Conditions) -> tuple[Conditions, str]:
        new, text = read_policy()
        if new is None:
            return rules, f"the changed policy is refused, the old one holds: {text}"
        changes = policy_changes(rules.policy, new)
        return replace(rules, policy=new), "; ".join(changes) or "the policy was read again; nothing changed"

    return take_up
