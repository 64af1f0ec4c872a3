"""Dooryard: what really came to the garden feeder, told well.

The flow, one room each:

    camera/     frames, from a board's camera or a simulated garden; recording/ from a folder of them
    gate/       which parts of a frame moved in a way that wind does not
    classify/   who that is, or nobody; site/ what the place looks like when empty
    tracking/   an arrival, a stay, a departure
    policy/     whether to tell it, to whom, and why
    outbox/     stored first, told afterwards
    sinks/      the ways out: webhook, e-mail, web pages

`pipeline` joins gate, tracking and policy in pure functions: start reading there.
`service.run` is the only place that builds real cameras, clocks, models and sinks.

Around it: core/ what all speak of, config/ and box/ the files, imaging/ pictures; sensors/, button/ and
health/ the box itself; history/ and journal/ what came, teaching/ the owner's own visitors; rehearse/ and
survey/ the bench, cli/ the commands. A room imports only rooms below it: `tests/unit/test_storeys.py`.
"""

__version__ = "0.1.0"
