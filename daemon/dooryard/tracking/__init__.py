"""From looks to visits: who is the same, who comes, who goes. Pure.

visits    START HERE: sightings in; arrivals, stays and departures out
track     one visitor followed from look to look
evidence  what many looks say together
regions   which parts of a frame are worth a look
"""
