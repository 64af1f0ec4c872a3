"""What every room speaks of, and the few tools that all use.

records        what flows through the rooms: frames, motions, sightings, visits, decisions, alerts
effects        what the pipeline asks to be done
errors         what can go wrong, each with its exit code and its remedy
clock          wall time and monotonic time, read together; a fake one
wording        names, times and numbers as people say them
rate_limit     whose turn it is at so many a second
atomic_files   files that are whole or not there
arrays, ids, log, text_files, malloc   as they are called
"""
