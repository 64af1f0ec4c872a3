"""Frames, from whatever takes them: see `base` for what every camera promises."""
