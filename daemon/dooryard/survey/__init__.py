"""The survey: on the box, before the lid is closed, is everything as it must be?

lines      a line's verdict, text and remedy; the report and its exit code; pure
camera     a picture, its sharpness and exposure, the frame rate held
view       a picture of the whole view, with the region and what is ignored drawn in
model      a known picture, named right and in time
machine    disk, card, clock, permissions
store      the database, whole or damaged
outside    sensors, button, network, sinks
assemble   all of them for one box file
"""
