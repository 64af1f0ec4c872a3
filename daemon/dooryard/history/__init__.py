"""What the journal knows beside the outbox: hours watched, readings, and what people said of visits.

database     the annotations' file, opened, taken over from older forms, set aside when damaged
entries      one visit as the pages and commands show it
reader       entries out of both databases
lookup       a visit by the end of its id
annotations  marks: who it really was, kept, hidden; marking writes one
"""
