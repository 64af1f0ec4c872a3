"""The daemon: what runs on the box.

run            START HERE: reads both files, makes the parts, runs the loop, ends in good order
loop           frames in, effects done; build makes the parts, parts holds them
scheduler      what is due each minute and each hour
visit_store    visits, decisions and alerts into the outbox; summaries, second_messages, absences beside it
restore        what the last run left; saving when it is saved
activity_log   when it watched, and why not
failover       the classifier, and what is done while it is away
policy_file    the policy read again
watchdog, systemd, heartbeat   that it is alive, told to the service manager and to a peer
shutdown       the orderly halt
journal_scheduler, journal_process   the journal's pages, built beside it
"""
