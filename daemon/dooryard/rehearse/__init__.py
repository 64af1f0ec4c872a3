"""Rehearse a policy: recorded frames in, decisions with their reasons out. Nothing is stored or told.

- sources: what was recorded, and what box watches it; segments: several folders as one recording
- recorded: the temperatures that were recorded with the frames
- replay: the frames through the daemon's own pipeline, several policies side by side
- answers: what the classifier said before, kept beside the recording
- differ: what two policies make of the same frames
- truth: what really came, and how much of it was noticed and told
- table, page, timeline, machine: for the terminal, the phone, and other programs
- jobs: several recordings at once, and how far they are
- command: `dooryard rehearse`
"""
