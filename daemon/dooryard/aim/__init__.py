"""Aiming and focusing: a page with the live picture, for a short time.

command   what `dooryard aim` does, in order: start here
live      the loop: camera, gate, the newest picture for whoever looks
serve     the page and its answers; page/ holds its files
focus     how sharp a picture is; ruler: how large a sparrow is in it; parts: rectangles to lines
service   whether the service has the camera, and stopping it meanwhile
"""
