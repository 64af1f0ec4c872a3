"""The outbox: stored first, told afterwards.

schema          the database's tables and migrations
rows            records to rows and back
queue           what is asked of the deliveries' rows
folder          the state folder: its lock, leftovers, what is set aside, pictures and rows compared
store           START HERE: visits, alerts, states and deliveries on disk
upkeep          keeps the folder within its bounds
schedule        when to try again, in which order; the circuit breaker of a sink (pure)
token_bucket    how many attempts in a while (pure)
connectivity    which sinks cannot be reached (pure)
digest          late alerts in one message
notices         what another sink is told of one that fails (pure)
worker          one sink's deliveries, step by step
dispatcher      a thread per sink that sends what is stored
problems        what went wrong, with a remedy
"""
