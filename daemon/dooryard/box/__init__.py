"""The box file: what this unit is made of.

file       START HERE: its tables, and from text to a `BoxFile`
camera     the `[camera]` table; sinks the `[[sink]]` tables and `[heartbeat]`
checks     what cannot work, or surely is not meant
addresses  names and addresses as they are written
"""
