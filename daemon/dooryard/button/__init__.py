"""The push button and the lamp.

press      edges in, presses out: debounce, short, held; pure
patterns   what the lamp shows, as on and off times; pure
pins       opens a pin, again and again while the board is still starting
push       the button's thread
lamp       the lamp's thread
"""
