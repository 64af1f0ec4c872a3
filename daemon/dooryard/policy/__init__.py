"""The owner's rules: what can be asked for, and what comes of it. Pure.

schema      START HERE: the tables and keys, with rule, window, silence, box_tables; fields are their parts
parse       from text to a `Policy`; sense, sense_silence, sink_sense what is surely not meant
decide      tell a visit or not, to whom, and why; asking what a rule asks, limits what speaks against
patience    when a later rule waits for an earlier one
hours       windows at a moment; sun and times what they are made of, dates ranges of days
state       what was told; seen who came
absence     that nobody came; mute days and hours of silence; sink_limits, sink_hours one sink's own
say         alerts and messages in words
almanac     `dooryard hours`; reference the keys' descriptions
"""
