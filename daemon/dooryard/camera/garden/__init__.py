"""A simulated garden, seeded and with truth, for the demonstration and for measuring the gate.

    settings   all that can be set, with units        families   named kinds of scene, and the demo's
    layout     this garden's feeder and backdrop      species    who may come
    weather    wind, gusts, clouds                    sway       what the wind moves
    daylight   sun and exposure                       visits     who comes when, and does what
    plan       all of it, per frame, without drawing: the truth
    paint_*    the pictures, once per scene           brush      how they are painted
    layers     bending and laying over, fast          light      shadows, rain, noise
    render     plan + paintings -> frames

Start at `plan`, then `render`. "Design pixels" are pixels of a view 640 wide.
"""
