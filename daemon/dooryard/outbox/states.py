"""States that a restart needs, by name: what was learned, how far it had come. Each with its digest."""

from __future__ import annotations

from collections.abc import Mapping

from dooryard.core.clock import Clock
from dooryard.core.errors import StoreError
from dooryard.outbox import rows
from dooryard.outbox.engine import Engine
from dooryard.outbox.schema import sha256

ASIDE = "damaged "  # before the name of a state that was set aside


class States:
    """The store's states. Build it once the folder is held; it looks at each at once."""

    def __init__(self, engine: Engine, clock: Clock, damages: list[str]) -> None:
        self._engine = engine
        self._clock = clock
        self._damages = damages  # one sentence for each that was found damaged goes in here
        self._digests: dict[str, str] = {}  # name -> SHA-256 of what is on disk
        for (name,) in engine.select(tuple, "SELECT name FROM states"):
            if not str(name).startswith(ASIDE):
                self.load(str(name))

    def save(self, states: Mapping[str, bytes]) -> None:
        """Keep several states, all or none of them; those that say what is on disk already are left alone.

        A card wears with each write, and most of what is saved by the minute has not changed.
        """
        digests = {name: sha256(data) for name, data in states.items()}
        changed = [name for name, digest in digests.items() if self._digests.get(name) != digest]
        if not changed:
            return
        wall = rows.wall_text(self._clock.now().wall)
        with self._engine.writing(f"storing the state ({', '.join(changed)})") as db:
            for name in changed:
                db.execute(
                    "INSERT INTO states (name, data, wall, sha256) VALUES (?, ?, ?, ?)"
                    " ON CONFLICT DO UPDATE"
                    " SET data = excluded.data, wall = excluded.wall, sha256 = excluded.sha256",
                    (name, states[name], wall, digests[name]),
                )
        self._digests |= {name: digests[name] for name in changed}

    def load(self, name: str) -> bytes | None:
        """What was kept under `name`. None: there is nothing, or it is damaged and was set aside."""
        found = self._engine.select(tuple, "SELECT data, sha256 FROM states WHERE name = ?", name)
        if not found:
            return None
        data, digest = bytes(found[0][0]), found[0][1]
        if sha256(data) == digest:
            return data
        self._digests.pop(name, None)
        self._damages.append(f"what was saved as {name!r} is damaged: it is set aside, and started over")
        try:
            with self._engine.writing("setting a damaged state aside") as db:
                db.execute("UPDATE OR REPLACE states SET name = ? WHERE name = ?", (f"{ASIDE}{name}", name))
        except StoreError as error:  # it is not used all the same, and the next that is saved takes its place
            self._damages.append(error.what)
        return None
