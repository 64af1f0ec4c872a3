"""The tables of the annotation database's file, version by version."""

from __future__ import annotations

STEPS: tuple[tuple[str, ...], ...] = (
    (
        # `undone` keeps what was taken back, so that the history of a name can be read.
        """CREATE TABLE marks (
            seq INTEGER PRIMARY KEY AUTOINCREMENT,
            visit TEXT NOT NULL,
            kind TEXT NOT NULL,
            species TEXT,
            group_name TEXT,
            scientific TEXT,
            wall TEXT NOT NULL,
            undone INTEGER NOT NULL DEFAULT 0
        ) STRICT""",
        "CREATE INDEX marks_by_visit ON marks(visit)",
        """CREATE TABLE off_times (
            seq INTEGER PRIMARY KEY AUTOINCREMENT,
            start_wall TEXT NOT NULL,
            end_wall TEXT NOT NULL,
            reason TEXT NOT NULL
        ) STRICT""",
        "CREATE INDEX off_times_by_end ON off_times(end_wall)",
        """CREATE TABLE readings (
            wall TEXT NOT NULL,
            sensor TEXT NOT NULL,
            temp_c REAL NOT NULL,
            PRIMARY KEY (wall, sensor)
        ) STRICT""",
        # What the motion gate held back, by local date and reason.
        """CREATE TABLE held (
            day TEXT NOT NULL,
            reason TEXT NOT NULL,
            count INTEGER NOT NULL,
            PRIMARY KEY (day, reason)
        ) STRICT""",
    ),
    (
        # The time off that is not over yet, if there is one.
        """CREATE TABLE off_now (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            start_wall TEXT NOT NULL,
            reason TEXT NOT NULL
        ) STRICT""",
    ),
    (
        # Until when somebody wants to hear of nothing but what is urgent.
        """CREATE TABLE mute (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            until_wall TEXT NOT NULL,
            wall TEXT NOT NULL
        ) STRICT""",
    ),
)
