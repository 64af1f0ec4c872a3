"""Frames on disk, written and read.

writer       the box's own recording
folder       frames of a folder, as a camera; recordings several of them, segments in their order
timestamps   when a frame was taken, by its name, index or EXIF
image_files  pictures of any kind that Pillow reads
"""
