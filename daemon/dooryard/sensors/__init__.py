"""What the box knows of itself: temperatures, moisture, power, room, signal, and whether its clock is set.

base      one reading, and what every sensor promises
poller    reads them all on a thread of its own, each at its pace; tells what is gone and back
watch     "gone" and "back", each told once; pure
parse     from the kernel's text to numbers; pure
files     sensors that are one file below /sys or /proc
chips     finds those files: hwmon and iio chips by name
machine   room on the disk, memory, clock
spec      one sensor as the box file has it; pure
registry  from a spec to a sensor
fake      a sensor with a script
"""
