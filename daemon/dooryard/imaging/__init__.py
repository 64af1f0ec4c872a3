"""Pictures as files.

jpeg            pixels to JPEG with its EXIF, small enough for its purpose
exif_thumbnail  a small picture within; shrink makes a smaller one for a sink
size_budget     how large a day's pictures may be
xmp             what a picture shows, in the picture
"""
