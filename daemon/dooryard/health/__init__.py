"""The box's own health: heat, supply, moisture, disk.

monitor    START HERE: sensors and button, read and acted on
state      which steps hold and what was told; pure
thermal    heat steps; dew_point when water settles; throttle what is done without: pure
faults     sensors that fall silent
report     what the service sees of itself
"""
