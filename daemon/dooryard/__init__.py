"""Dooryard: what really came to the garden feeder, told well.

The flow, one room each:

    camera/    frames, from a board's camera, a recording, or a simulated garden
    gate/      which parts of a frame moved in a way that wind does not
    classify/  who that is, or nobody
    visits     an arrival, a stay, a departure
    policy/    whether to tell it, to whom, and why
    outbox/    stored first, told afterwards
    sinks/     the ways out: webhook, e-mail

`pipeline` joins gate, visits and policy in pure functions: start reading there.
`run` is the only place that builds real cameras, clocks, models and sinks.
"""

__version__ = "0.1.0"
