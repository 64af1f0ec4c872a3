"""The sinks against mail, web and ssh servers as others run them: see tools/try_peers.

`case` says what a trial is; `postfix`, `nginx` and `openssh` start the servers; `mail_cases`, `web_cases` and
`publish_cases` are the trials, which the tests run too.
"""
