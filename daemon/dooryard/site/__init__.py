"""What this place looks like with nobody there. Pure.

site_model  START HERE: background samples in, sightings' posteriors out
memory      how unlike all that was seen empty a look is; subspace is what it remembers by
"""
