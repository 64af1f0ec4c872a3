"""Attacks on the program by what the world does to it: damage, odd files, rude peers, kills.

Each module holds one campaign: a function that takes how many attempts to make and a seed, and returns an
`Outcome`. `tools/attack` runs them at length and prints a table; the tests run each in a short form.
"""
