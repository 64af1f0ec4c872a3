"""Pages on the local network: short, on a named address, and only for who has the token.

listen    where and for how long; the server and what every answer of it holds to: start here
stop      the signals that end it
"""
